// Board program of matbridge for touch electrodes: one to four MPR121-class 12-electrode chips on
// I2C, up to 48 zones. One source for AVR boards (16 MHz) and ESP32-class boards.
//
// Wiring of each chip (NXP data sheet MPR121): VDD to 3.3 V (never 5 V), VSS to ground, SDA and SCL
// to the board's I2C pins (AVR Uno-class: A4, A5; ESP32: 21, 22) with one pair of pull-ups to 3.3 V,
// ADDR to VSS, VDD, SDA or SCL for the addresses 5A, 5B, 5C and 5D; ELE0 to ELE11 to the zones.
// A 5 V board needs a level shifter between its I2C pins and the chip.
//
// The chip keeps a baseline of its own: it follows slow drift of the filtered reading, faster down
// than up, and hardly while touched. So a zone touched for minutes may fade: with SEND_PRESSURE 0 the
// chip decides alone; with SEND_PRESSURE 1 the bridge sees baseline minus filtered, and its own
// baseline, set by `matbridge calibrate`, takes part. In both, a long lead is part of the
// electrode: keep leads short and away from each other, or the lead plays too.
//
// ---- options ----
#define ZONES 12
#define SEND_PRESSURE 1    // 1: baseline minus filtered, 0-1023; 0: touched or not, 0 or 1
#define RATE_HZ 100        // the chip makes a new reading every few ms; more scans bring no news
#define PACKED 1           // 1: packed, 0: text
#define BAUD 250000
#define BOARD_NAME "touch board"
#define ADDRESSES 0x5A     // of the chips, parted by commas, in the order of the zones
#define TOUCH_THRESHOLD 15    // 0F and 0A: quick start of application note AN3944;
#define RELEASE_THRESHOLD 10  // lower is more sensitive, and release stays below touch
// ---- end of the options ----

#define BITS 10

#include <Wire.h>
#include "board_wire.h"

static const uint8_t CHIPS[] = {ADDRESSES};
static const uint8_t ELECTRODES = 12;
static_assert(sizeof(CHIPS) <= 4, "there are four addresses");
static_assert(sizeof(CHIPS) * ELECTRODES >= ZONES, "too few chips for the zones");
static_assert(RELEASE_THRESHOLD < TOUCH_THRESHOLD, "release must lie below touch");

// Registers, MPR121 data sheet.
static const uint8_t TOUCH_STATUS = 0x00, FILTERED = 0x04, BASELINE = 0x1E, FILTERS = 0x2B;
static const uint8_t THRESHOLDS = 0x41, FIRST_CONFIG = 0x5C, SECOND_CONFIG = 0x5D;
static const uint8_t ELECTRODE_CONFIG = 0x5E, SOFT_RESET = 0x80;

// How the baseline follows (AN3944 quick start): rising MHD, NHD, NCL, FDL, then falling.
static const uint8_t FOLLOW[] = {1, 1, 0, 0, 1, 1, 0xFF, 2};

static const uint32_t LOOK_AGAIN_MS = 1000;  // for a chip that did not answer
static bool answers[sizeof(CHIPS)];
static uint32_t lookedMs;

static bool set(uint8_t chip, uint8_t reg, uint8_t value) {
  Wire.beginTransmission(chip);
  Wire.write(reg);
  Wire.write(value);
  return Wire.endTransmission() == 0;
}

static bool get(uint8_t chip, uint8_t reg, uint8_t *values, uint8_t count) {
  Wire.beginTransmission(chip);
  Wire.write(reg);
  if (Wire.endTransmission(false) != 0) return false;
  if (Wire.requestFrom(chip, count) != count) return false;
  for (uint8_t i = 0; i < count; i++) values[i] = (uint8_t)Wire.read();
  return true;
}

static bool setUp(uint8_t chip) {
  if (!set(chip, SOFT_RESET, 0x63) || !set(chip, ELECTRODE_CONFIG, 0)) return false;
  uint8_t reg = FILTERS;
  for (uint8_t i = 0; i < sizeof(FOLLOW); i++) set(chip, reg++, FOLLOW[i]);
  reg = THRESHOLDS;
  for (uint8_t i = 0; i < ELECTRODES; i++) {
    set(chip, reg++, TOUCH_THRESHOLD);
    set(chip, reg++, RELEASE_THRESHOLD);
  }
  set(chip, FIRST_CONFIG, 0x10);   // 16 microamperes of charge current, 6 samples
  set(chip, SECOND_CONFIG, 0x20);  // half a microsecond of charging, a reading each millisecond
  // Run with all twelve electrodes, and start the baseline at the first reading.
  return set(chip, ELECTRODE_CONFIG, 0x80 | ELECTRODES);
}

void readZones(uint16_t *readings) {
  uint32_t nowMs = millis();
  if (nowMs - lookedMs >= LOOK_AGAIN_MS) {
    lookedMs = nowMs;
    for (uint8_t c = 0; c < sizeof(CHIPS); c++)
      if (!answers[c]) answers[c] = setUp(CHIPS[c]);
  }
  uint8_t zone = 0;
  for (uint8_t c = 0; c < sizeof(CHIPS); c++) {
    uint8_t status[2], filtered[2 * ELECTRODES], baseline[ELECTRODES];
    bool read = answers[c] && get(CHIPS[c], TOUCH_STATUS, status, sizeof(status));
    if (SEND_PRESSURE)
      read = read && get(CHIPS[c], FILTERED, filtered, sizeof(filtered)) &&
             get(CHIPS[c], BASELINE, baseline, sizeof(baseline));
    answers[c] = read;
    uint16_t touched = 0;
    if (read) touched = (uint16_t)(status[0] | (status[1] & 0x0F) << 8);
    for (uint8_t i = 0; i < ELECTRODES; i++, zone++) {
      if (zone >= ZONES) return;
      if (!SEND_PRESSURE) {
        readings[zone] = touched >> i & 1;
        continue;
      }
      // The baseline register holds the upper eight of ten bits.
      int pressure = 0;
      if (read)
        pressure = (baseline[i] << 2) - (filtered[2 * i] | (filtered[2 * i + 1] & 0x03) << 8);
      readings[zone] = (uint16_t)constrain(pressure, 0, 1023);
    }
    keepSending();
  }
}

void setup() {
  startBoard();
  Wire.begin();
  Wire.setClock(400000);
  // A bus held low by a bad joint must not stop the board: give up after five milliseconds.
#if defined(ARDUINO_ARCH_ESP32)
  Wire.setTimeOut(5);
#elif defined(WIRE_HAS_TIMEOUT)
  Wire.setWireTimeout(5000, true);
#endif
  for (uint8_t c = 0; c < sizeof(CHIPS); c++) answers[c] = setUp(CHIPS[c]);
  armWatchdog();
}

void loop() { runBoard(); }
