// An ESP32-class board around a board program, in virtual time: the same orders give the same bytes
// on any machine. Not a chip: it stands where the chip's core would, behind the calls of Arduino.h
// beside this file, and wires them to the parts of ../parts.h.
//
// What the serial line carried comes out of standard output. Orders on standard input, one a line:
//     clock US MS        what micros() and millis() begin with; before anything else
//     set CHANNEL VALUE  what a converter reads, or how far an electrode is pressed
//     run MS             the program runs for so long
//     stall MS           the program is held up for so long
//     send BYTE          a byte from the computer, in decimal
//     read 0             nobody reads the line any more, and it takes nothing (USB);  read 1  again
//     unplug CHIP        touch chip 0 or 1 no longer answers;  plug CHIP  it does again
//     jam 1              the bus of the touch chips is held low;  jam 0  no longer
// It ends with 0, or with 3 and a word on standard error when the program did what a board, its
// parts or its watchdog do not allow.
#include "Arduino.h"
#include "SPI.h"
#include "Wire.h"

#include "../parts.h"
#include "computer.h"

[[noreturn]] static void fail(const char *why) {
  long size = 0;
  while (why[size]) size++;
  give(2, why, size);
  leave(3);
}

// ---- time, and the line that empties as it goes ----

static uint32_t nowUs, nowMs, partUs;
static const uint32_t WATCHDOG_MS = 5000;
static bool guarded;
static uint32_t fedMs;

static const int FIFO_BYTES = 128;  // what an ESP32's UART holds by itself
static uint8_t fifo[FIFO_BYTES];
static int waiting;
static uint32_t ticksOfByte, lineTicks;  // of a sixteenth of a microsecond
static bool isRead = true;
static uint8_t sent[16384];
static int sentBytes;
static uint8_t arrived[256];
static int arrivedBytes, arrivedRead;

static void flushSent() {
  give(1, sent, sentBytes);
  sentBytes = 0;
}

static void pass(uint32_t us) {
  nowUs += us;
  for (partUs += us; partUs >= 1000; partUs -= 1000) nowMs++;
  if (guarded && nowMs - fedMs > WATCHDOG_MS) flushSent(), fail("the watchdog bit\n");
  lineTicks = waiting && isRead ? lineTicks + us * 16 : 0;
  for (; waiting && lineTicks >= ticksOfByte; lineTicks -= ticksOfByte) {
    sent[sentBytes++] = fifo[0];
    waiting--;
    for (int i = 0; i < waiting; i++) fifo[i] = fifo[i + 1];
    if (sentBytes == sizeof sent) flushSent();
  }
}

unsigned long micros() { return pass(2), nowUs; }
unsigned long millis() { return pass(2), nowMs; }

void enableLoopWDT() { guarded = true, fedMs = nowMs; }
#if ESP_ARDUINO_VERSION_MAJOR >= 3
bool feedLoopWDT() { return fedMs = nowMs, true; }
#else
void feedLoopWDT() { fedMs = nowMs; }
#endif

HardwareSerial Serial;

void HardwareSerial::begin(unsigned long rate, uint32_t, int8_t, int8_t, bool, unsigned long,
                           uint8_t) {
  ticksOfByte = static_cast<uint32_t>(160000000 / rate);  // ten bits a byte
}
int HardwareSerial::available() { return arrivedBytes - arrivedRead; }
int HardwareSerial::read() { return available() ? arrived[arrivedRead++] : -1; }
int HardwareSerial::availableForWrite() { return pass(1), FIFO_BYTES - waiting; }
size_t HardwareSerial::write(uint8_t byte) {
  if (!ticksOfByte || waiting == FIFO_BYTES) fail("the program waits for the line\n");
  fifo[waiting++] = byte;
  return 1;
}

// ---- pins and SPI ----

static const uint8_t SELECT_PINS[CONVERTERS] = {5, 25, 26};
static uint8_t modes[40];
static bool spiRuns, spiHeld;

void pinMode(uint8_t pin, uint8_t mode) {
  if (pin >= sizeof modes) fail("there is no such pin\n");
  modes[pin] = mode;
}

void digitalWrite(uint8_t pin, uint8_t level) {
  if (pin >= sizeof modes || modes[pin] != OUTPUT) fail("the pin is no output\n");
  for (int c = 0; c < CONVERTERS; c++)
    if (pin == SELECT_PINS[c]) select_converter(&converters[c], level == LOW);
  pass(1);
}

SPIClass SPI;

#if ESP_ARDUINO_VERSION_MAJOR >= 3
bool SPIClass::begin(int8_t, int8_t, int8_t, int8_t) { return spiRuns = true; }
#else
void SPIClass::begin(int8_t, int8_t, int8_t, int8_t) { spiRuns = true; }
#endif

void SPIClass::beginTransaction(SPISettings settings) {
  // DS21295: modes 0,0 and 1,1, high bit first; 1.35 MHz at 2.7 V, 3.6 MHz only with 5 V.
  if (settings._clock > 1350000 || settings._bitOrder != MSBFIRST ||
      (settings._dataMode != SPI_MODE0 && settings._dataMode != SPI_MODE3))
    fail("the converters do not run so\n");
  spiHeld = true;
}

uint8_t SPIClass::transfer(uint8_t byte) {
  int selected = 0;
  for (int c = 0; c < CONVERTERS; c++) selected += converters[c].selected;
  if (!spiRuns || !spiHeld || selected != 1) fail("SPI is not set up for one converter\n");
  pass(8);
  return clock_converters(byte);
}

// ---- I2C ----

static bool wireRuns, jammed, held;
static uint32_t bitsPerSecond = 100000;
static uint16_t timeoutMs = 50;
static int chip, reg;
static uint8_t bytes[32];
static size_t count, place;

TwoWire Wire;

bool TwoWire::begin() { return wireRuns = true; }
bool TwoWire::setClock(uint32_t frequency) { return bitsPerSecond = frequency, true; }
void TwoWire::setTimeOut(uint16_t ms) { timeoutMs = ms; }

void TwoWire::beginTransmission(uint8_t address) {
  if (!wireRuns || held) fail("I2C is not ready\n");
  chip = address - FIRST_TOUCH_ADDRESS;
  count = 0;
}

size_t TwoWire::write(uint8_t byte) {
  if (count == sizeof bytes) return 0;
  bytes[count++] = byte;
  return 1;
}

// Nine bits a byte, the address among them; false when nothing answers.
static bool carry(size_t size) {
  pass(jammed ? timeoutMs * 1000U : static_cast<uint32_t>(size + 1) * (9000000 / bitsPerSecond));
  if (jammed || touch_chip_at(chip + FIRST_TOUCH_ADDRESS) < 0) return false;
  measure_touch(chip);
  return true;
}

uint8_t TwoWire::endTransmission(bool sendStop) {
  held = !sendStop;
  if (held) return 0;  // this core sends nothing yet: all goes out with the reading that follows
  if (!carry(count)) return jammed ? 5 : 2;
  reg = bytes[0];
  for (size_t i = 1; i < count; i++) store_touch(chip, static_cast<uint8_t>(reg++), bytes[i]);
  return 0;
}
uint8_t TwoWire::endTransmission() { return endTransmission(true); }

#if ESP_ARDUINO_VERSION_MAJOR >= 3
size_t TwoWire::requestFrom(uint8_t address, size_t size) {
#else
uint8_t TwoWire::requestFrom(uint8_t address, uint8_t size) {
#endif
  if (!wireRuns || !held || chip != address - FIRST_TOUCH_ADDRESS || size > sizeof bytes)
    fail("no register was named to read from\n");
  held = false;
  place = count = 0;
  reg = bytes[0];
  if (!carry(size + 1U)) return 0;
  while (count < size) bytes[count++] = touch_chips[chip].registers[reg++ & 255];
  return size;
}

int TwoWire::available() { return static_cast<int>(count - place); }
int TwoWire::read() { return place < count ? bytes[place++] : -1; }

// ---- orders ----

static const char *order;

static bool says(const char *word) {
  const char *at = order;
  while (*word && *at == *word) at++, word++;
  if (*word || *at != ' ') return false;
  order = at;
  return true;
}

static uint32_t number() {
  uint32_t value = 0;
  while (*order == ' ') order++;
  while (*order >= '0' && *order <= '9') value = value * 10 + static_cast<uint32_t>(*order++ - '0');
  return value;
}

static void obey() {
  if (says("clock")) {
    nowUs = number(), nowMs = number();
  } else if (says("set")) {
    uint32_t channel = number();
    values[channel % CHANNELS] = static_cast<int>(number());
  } else if (says("run")) {
    if (!ticksOfByte) setup();
    for (uint32_t end = nowUs + number() * 1000; static_cast<int32_t>(end - nowUs) > 0;) loop();
  } else if (says("stall")) {
    for (uint32_t left = number(); left; left--) pass(1000);
  } else if (says("send")) {
    if (arrivedRead == arrivedBytes) arrivedRead = arrivedBytes = 0;
    if (arrivedBytes < static_cast<int>(sizeof arrived))
      arrived[arrivedBytes++] = static_cast<uint8_t>(number());
  } else if (says("read")) {
    isRead = number();
  } else if (says("plug")) {
    uint32_t c = number() % TOUCH_CHIPS;
    clear_touch_chip(static_cast<int>(c));
    touch_chips[c].present = 1;
  } else if (says("unplug")) {
    touch_chips[number() % TOUCH_CHIPS].present = 0;
  } else if (says("jam")) {
    jammed = number();
  } else {
    fail("unknown order\n");
  }
}

static void obeyAll() {
  static char text[16384];
  long length = 0, got;
  while ((got = take(text + length, static_cast<long>(sizeof text) - 1 - length)) > 0) length += got;
  for (int c = 0; c < TOUCH_CHIPS; c++) touch_chips[c].present = 1;
  for (order = text; *order; order++) {
    obey();
    if (*order != '\n') fail("unknown order\n");
  }
  flushSent();
}
