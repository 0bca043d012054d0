// A stand-in for the headers of the Arduino core for ESP32, which no package registry carries: only
// what the board programs use, with the types that core gives it, written from memory of its
// documented interface. ESP_ARDUINO_VERSION_MAJOR, 2 or 3, chooses between its two generations.
// What the declarations do here is in board.cpp.
#ifndef ARDUINO_STAND_IN_H
#define ARDUINO_STAND_IN_H

#include <stddef.h>
#include <stdint.h>

#define LOW 0x0
#define HIGH 0x1
#define INPUT 0x01
#define OUTPUT 0x03
#define INPUT_PULLUP 0x05
#define MSBFIRST 1
#define LSBFIRST 0

// The core's macros whose names a program could hit by mistake.
#define bit(b) (1UL << (b))
#define lowByte(w) ((uint8_t)((w) & 0xff))
#define highByte(w) ((uint8_t)((w) >> 8))
#define sq(x) ((x) * (x))
#define constrain(amt, low, high) ((amt) < (low) ? (low) : ((amt) > (high) ? (high) : (amt)))
#define F(string_literal) (string_literal)
#define PROGMEM

extern "C" {
void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t val);
int digitalRead(uint8_t pin);
unsigned long micros(void);
unsigned long millis(void);
void delay(uint32_t ms);
void delayMicroseconds(uint32_t us);
void yield(void);
}

// The watchdog of the task that calls loop().
void enableLoopWDT();
void disableLoopWDT();
#if ESP_ARDUINO_VERSION_MAJOR >= 3
bool feedLoopWDT();
#else
void feedLoopWDT();
#endif

class HardwareSerial {
 public:
  void begin(unsigned long baud, uint32_t config = 0x800001c, int8_t rxPin = -1,
             int8_t txPin = -1, bool invert = false, unsigned long timeout_ms = 20000UL,
             uint8_t rxfifo_full_thrhd = 112);
  size_t setRxBufferSize(size_t size);
  size_t setTxBufferSize(size_t size);
  int available();
  int availableForWrite();
  int peek();
  int read();
  void flush();
  size_t write(uint8_t byte);
  size_t write(const uint8_t *buffer, size_t size);
  size_t write(const char *text);
  size_t write(unsigned long n);
  size_t write(long n);
  size_t write(unsigned int n);
  size_t write(int n);
};

extern HardwareSerial Serial;

// What a program defines.
void setup();
void loop();

#endif
