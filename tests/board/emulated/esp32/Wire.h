// Part of the stand-in: see Arduino.h beside this file.
#ifndef WIRE_STAND_IN_H
#define WIRE_STAND_IN_H

#include "Arduino.h"

class TwoWire {
 public:
  bool begin();
  bool begin(int sda, int scl, uint32_t frequency = 0);
  bool setClock(uint32_t frequency);
  void setTimeOut(uint16_t timeOutMillis);
  uint16_t getTimeOut();
#if ESP_ARDUINO_VERSION_MAJOR >= 3
  void beginTransmission(uint8_t address);
  size_t requestFrom(uint8_t address, size_t len, bool stopBit);
  size_t requestFrom(uint8_t address, size_t len);
#else
  void beginTransmission(uint16_t address);
  void beginTransmission(uint8_t address);
  void beginTransmission(int address);
  size_t requestFrom(uint16_t address, size_t size, bool sendStop);
  uint8_t requestFrom(uint16_t address, uint8_t size, bool sendStop);
  uint8_t requestFrom(uint16_t address, uint8_t size, uint8_t sendStop);
  uint8_t requestFrom(uint16_t address, uint8_t size);
  uint8_t requestFrom(uint8_t address, uint8_t size, uint8_t sendStop);
  uint8_t requestFrom(uint8_t address, uint8_t size);
  uint8_t requestFrom(int address, int size, int sendStop);
  uint8_t requestFrom(int address, int size);
#endif
  uint8_t endTransmission(bool sendStop);
  uint8_t endTransmission();
  size_t write(uint8_t byte);
  size_t write(const uint8_t *bytes, size_t count);
  size_t write(const char *text);
  size_t write(unsigned long n);
  size_t write(long n);
  size_t write(unsigned int n);
  size_t write(int n);
  int available();
  int read();
  int peek();
};

extern TwoWire Wire;

#endif
