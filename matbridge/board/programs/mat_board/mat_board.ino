// Board program of matbridge for force sensors: 1 to 8 MCP3008-class converters of 8 channels on
// SPI, up to 64 zones. One source for AVR boards (16 MHz) and ESP32-class boards.
//
// Wiring of each converter (pins by their name on the data sheet, Microchip DS21295):
//   VDD, VREF   supply of the board: 5 V on 5 V boards, 3.3 V on 3.3 V boards
//   AGND, DGND  ground
//   CLK         the board's SPI clock        (AVR Uno-class: 13, ESP32: 18)
//   DOUT        the board's SPI data in      (12, 19)
//   DIN         the board's SPI data out     (11, 23)
//   CS/SHDN     a pin of its own for each converter: SELECT_PINS below, first zones first
//   CH0 to CH7  the eight sensors of this converter, each in a divider: sensor to VREF, fixed
//               resistor to ground, 1 kilohm in series to the input against static
//
// ---- options ----
#define ZONES 24
#define RATE_HZ 250        // text at 250000 baud carries 24 zones 200 times a second: see README
#define PACKED 1           // 1: packed, 0: text
#define BAUD 500000        // exact on a 16 MHz AVR; an ESP32 also does 921600
#define BOARD_NAME "mat board"
#define SELECT_PINS 10, 9, 8  // one for each converter; ESP32: for instance 5, 25, 26
#define SPI_HZ 1000000     // at most 1.35 MHz with a 2.7 V supply, 3.6 MHz with 5 V (DS21295)
// ---- end of the options ----

#define BITS 10  // what the converters give

#include <SPI.h>
#include "board_wire.h"

static constexpr uint8_t CHIP_SELECTS[] = {SELECT_PINS};
static_assert(sizeof(CHIP_SELECTS) * 8 >= ZONES, "too few converters for the zones");

#if defined(CONFIG_IDF_TARGET_ESP32)
// The first ESP32 runs from a memory on GPIO 6 to 11, and 34 to 39 are inputs only (its data sheet).
constexpr bool canSelect(uint8_t pin) { return pin < 6 || (pin > 11 && pin < 34); }
constexpr bool allCanSelect(uint8_t count) {
  return count == 0 ||
         (canSelect(CHIP_SELECTS[count - 1]) && allCanSelect((uint8_t)(count - 1)));
}
static_assert(allCanSelect(sizeof(CHIP_SELECTS)),
              "SELECT_PINS: an ESP32 cannot spare GPIO 6-11 nor drive 34-39; take 5, 25, 26");
#endif

// DS21295: a start bit, "single-ended", three bits of channel, then the ten bits of the answer.
static uint16_t readChannel(uint8_t chipSelect, uint8_t channel) {
  digitalWrite(chipSelect, LOW);
  SPI.transfer(0x01);
  uint8_t high = SPI.transfer((uint8_t)((0x08 | channel) << 4));
  uint8_t low = SPI.transfer(0x00);
  digitalWrite(chipSelect, HIGH);
  return (uint16_t)((high & 0x03) << 8 | low);
}

void readZones(uint16_t *readings) {
  for (uint8_t zone = 0; zone < ZONES; zone++) {
    readings[zone] = readChannel(CHIP_SELECTS[zone >> 3], zone & 7);
    keepSending();
  }
}

void setup() {
  startBoard();
  for (uint8_t chip = 0; chip < sizeof(CHIP_SELECTS); chip++) {
    pinMode(CHIP_SELECTS[chip], OUTPUT);
    digitalWrite(CHIP_SELECTS[chip], HIGH);
  }
  SPI.begin();
  SPI.beginTransaction(SPISettings(SPI_HZ, MSBFIRST, SPI_MODE0));
  armWatchdog();
}

void loop() { runBoard(); }
