// What every board program of matbridge shares: the steady scan clock, the two wire formats, the
// announcement, and a sender that never waits for a reader. The formats are drawn in README.md.
//
// A program defines, before it includes this file:
//   ZONES       readings in a scan, 1-64
//   BITS        width of a reading: 8, 10, 12 or 16
//   RATE_HZ     scans a second
//   PACKED      1 for the packed format, 0 for text
//   BAUD        of the serial line
//   BOARD_NAME  what you call this board, up to 32 letters
// and it provides   void readZones(uint16_t *readings)   which calls keepSending() now and then.

#ifndef BOARD_WIRE_H
#define BOARD_WIRE_H

#include <Arduino.h>
#if defined(ARDUINO_ARCH_AVR)
#include <avr/wdt.h>
#endif

#define PROGRAM_VERSION "1.0"

static_assert(ZONES >= 1 && ZONES <= 64, "ZONES must be within 1-64");
static_assert(BITS == 8 || BITS == 10 || BITS == 12 || BITS == 16, "BITS must be 8, 10, 12 or 16");

void readZones(uint16_t *readings);

// The longest thing sent: a text scan (six bytes a reading at 16 bits), the announcement, or a
// packed scan with its header, checksum, stuffing and end.
static const uint16_t SEND_SIZE = ZONES * 6 + 2 > 128 ? ZONES * 6 + 2 : 128;
static_assert(SEND_SIZE >= 10 + (ZONES * BITS + 7) / 8 + 2 + 3, "a packed scan must fit");

static uint8_t sending[SEND_SIZE];
static uint16_t sendLength = 0, sendPlace = 0;

static const uint32_t PERIOD_US = 1000000UL / RATE_HZ;
static uint32_t nextScanUs;
static uint16_t sequence = 0;
static bool announce = true;

// Hands over as many bytes as the line takes at once, and no more.
static void keepSending() {
  int room = Serial.availableForWrite();
  while (room-- > 0 && sendPlace < sendLength) Serial.write(sending[sendPlace++]);
}

#if PACKED

// Consistent overhead byte stuffing as the bytes come: `codePlace` waits for the distance to the
// next zero. Our payloads are shorter than the 254 bytes that would need a longer form.
static uint16_t codePlace, checksum;

static void rawByte(uint8_t value) {
  if (value == 0) {
    sending[codePlace] = (uint8_t)(sendLength - codePlace);
    codePlace = sendLength++;
  } else {
    sending[sendLength++] = value;
  }
}

static void checkedByte(uint8_t value) {
  checksum ^= (uint16_t)((uint16_t)value << 8);  // CRC-16, polynomial 1021, initial value FFFF
  for (uint8_t bit = 0; bit < 8; bit++)
    checksum = (uint16_t)(checksum << 1 ^ (checksum & 0x8000 ? 0x1021 : 0));
  rawByte(value);
}

static void beginFrame(uint8_t kind) {
  checksum = 0xFFFF;
  sendPlace = 0;
  codePlace = 0;
  sendLength = 1;
  checkedByte(0x10 | kind);
  checkedByte(BITS);
}

static void endFrame() {
  uint16_t sum = checksum;
  rawByte(highByte(sum));
  rawByte(lowByte(sum));
  sending[codePlace] = (uint8_t)(sendLength - codePlace);
  sending[sendLength++] = 0;
}

static void low16(uint16_t value) {
  checkedByte(lowByte(value));
  checkedByte(highByte(value));
}

static void buildScan(const uint16_t *readings, uint32_t clockUs) {
  beginFrame(1);
  low16(sequence);
  low16((uint16_t)clockUs);
  low16((uint16_t)(clockUs >> 16));
  low16(ZONES);
  uint32_t waiting = 0;
  uint8_t held = 0;
  for (uint8_t zone = 0; zone < ZONES; zone++) {
    waiting |= (uint32_t)readings[zone] << held;
    for (held += BITS; held >= 8; held -= 8, waiting >>= 8) checkedByte(lowByte(waiting));
  }
  if (held) checkedByte(lowByte(waiting));
  endFrame();
}

static void buildAnnouncement() {
  beginFrame(2);
  low16(RATE_HZ);
  low16(ZONES);
  for (const char *letter = PROGRAM_VERSION; *letter; letter++) checkedByte((uint8_t)*letter);
  checkedByte(0);
  for (const char *letter = BOARD_NAME; *letter; letter++) checkedByte((uint8_t)*letter);
  endFrame();
}

#else

static void number(uint16_t value) {
  uint8_t digits[5];
  uint8_t count = 0;
  do digits[count++] = (uint8_t)('0' + value % 10);
  while (value /= 10);
  while (count) sending[sendLength++] = digits[--count];
}

static void words(const char *text) {
  while (*text) sending[sendLength++] = (uint8_t)*text++;
}

static void buildScan(const uint16_t *readings, uint32_t) {
  sendPlace = sendLength = 0;
  for (uint8_t zone = 0; zone < ZONES; zone++) {
    if (zone) sending[sendLength++] = ',';
    number(readings[zone]);
  }
  sending[sendLength++] = '\n';
}

static void buildAnnouncement() {
  sendPlace = sendLength = 0;
  words("# board: channels=");
  number(ZONES);
  words(" bits=");
  number(BITS);
  words(" rate=");
  number(RATE_HZ);
  words(" format=text program=" PROGRAM_VERSION " name=" BOARD_NAME "\n");
}

#endif

static_assert(sizeof(BOARD_NAME) <= 33, "BOARD_NAME must be 32 letters at most");

static void startBoard() {
#if defined(ARDUINO_ARCH_AVR)
  MCUSR = 0;  // after a watchdog reset it stays armed, and short, until this is cleared
  wdt_disable();
#endif
  Serial.begin(BAUD);
  sending[0] = PACKED ? 0 : '\n';  // ends whatever half scan a reader may hold
  sendPlace = 0;
  sendLength = 1;
  nextScanUs = micros();
}

// The watchdog is armed once the converters have been set up, which may take its time.
static void armWatchdog() {
#if defined(ARDUINO_ARCH_AVR)
  wdt_enable(WDTO_500MS);
#elif defined(ARDUINO_ARCH_ESP32)
  enableLoopWDT();
#endif
}

static void fedWatchdog() {
#if defined(ARDUINO_ARCH_AVR)
  wdt_reset();
#elif defined(ARDUINO_ARCH_ESP32)
  feedLoopWDT();
#endif
}

// One round of the loop: answer, send, and scan when it is time. A scan that finds the last one
// still unsent is not sent, but its number is used up, so that the reader counts it as lost.
static void runBoard() {
  fedWatchdog();
  while (Serial.available())
    if (Serial.read() == '?') announce = true;
  keepSending();
  if (announce && sendPlace == sendLength) {
    announce = false;
    buildAnnouncement();
    keepSending();
  }
  uint32_t now = micros();
  if ((int32_t)(now - nextScanUs) < 0) return;
  nextScanUs += PERIOD_US;
  if ((int32_t)(now - nextScanUs) >= 0) {  // fell behind by a whole scan or more: skip, keep count
    uint32_t missed = (now - nextScanUs) / PERIOD_US + 1;
    sequence = (uint16_t)(sequence + missed);
    nextScanUs += missed * PERIOD_US;
  }
  uint16_t readings[ZONES];
  readZones(readings);
  if (sendPlace == sendLength) buildScan(readings, now);
  sequence++;
  keepSending();
}

#endif
