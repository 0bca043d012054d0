/* The parts around an emulated board, from their data sheets: MCP3008 converters (Microchip DS21295)
 * and MPR121 touch chips (NXP data sheet and application note AN3944). In C and in C++, without a
 * library, so that every emulated board has the same ones. */
#ifndef PARTS_H
#define PARTS_H

#include <stdint.h>

#define CONVERTERS 3
#define CHANNELS (CONVERTERS * 8)
#define TOUCH_CHIPS 2
#define FIRST_TOUCH_ADDRESS 0x5A
#define ELECTRODES_OF_CHIP 12
#define REST_LEVEL 700 /* filtered reading of an electrode that nobody touches */

static int values[CHANNELS]; /* what a converter reads, or how far an electrode is pressed */

/* ---- converters: the frame of the data sheet, a byte at a time ---- */

static struct converter {
	int selected, place, channel;
} converters[CONVERTERS];

static inline void select_converter(struct converter *chip, int selected)
{
	if (selected && !chip->selected)
		chip->place = 0, chip->channel = -1;
	chip->selected = selected;
}

/* The byte that the converters put on the bus while `byte` is clocked out to them. */
static inline uint8_t clock_converters(uint8_t byte)
{
	int answer = 0xFF; /* nobody drives the line */
	for (int c = 0; c < CONVERTERS; c++) {
		struct converter *chip = &converters[c];
		if (!chip->selected)
			continue;
		switch (chip->place++) {
		case 0:
			answer = 0;
			chip->channel = byte == 0x01 ? 0 : -1; /* the start bit comes last */
			break;
		case 1:
			if (chip->channel < 0 || !(byte & 0x80)) {
				chip->channel = -1;
				break;
			}
			chip->channel = byte >> 4 & 7;
			answer = values[c * 8 + chip->channel] >> 8 & 3;
			break;
		case 2:
			if (chip->channel >= 0)
				answer = values[c * 8 + chip->channel] & 0xFF;
			break;
		}
	}
	return (uint8_t)answer;
}

/* ---- touch chips: the registers that matter ---- */

static struct touch_chip {
	uint8_t registers[256];
	int present;
} touch_chips[TOUCH_CHIPS];

static inline void clear_touch_chip(int c)
{
	for (int number = 0; number < 256; number++)
		touch_chips[c].registers[number] = 0;
}

/* The chip that answers to an address on the bus, or -1. */
static inline int touch_chip_at(int address)
{
	int c = address - FIRST_TOUCH_ADDRESS;
	return c >= 0 && c < TOUCH_CHIPS && touch_chips[c].present ? c : -1;
}

static inline void measure_touch(int c)
{
	uint8_t *r = touch_chips[c].registers;
	unsigned touched = 0;

	if (!(r[0x5E] & 0x0F))
		return; /* stopped: nothing is measured */
	for (int e = 0; e < ELECTRODES_OF_CHIP; e++) {
		int zone = c * ELECTRODES_OF_CHIP + e;
		int depth = zone < CHANNELS ? values[zone] : 0;
		int filtered = REST_LEVEL - depth < 0 ? 0 : REST_LEVEL - depth;
		int was = r[e >> 3] >> (e & 7) & 1;
		r[0x04 + 2 * e] = (uint8_t)filtered;
		r[0x05 + 2 * e] = (uint8_t)(filtered >> 8);
		r[0x1E + e] = REST_LEVEL >> 2;
		if (depth > r[0x41 + 2 * e] || (was && depth >= r[0x42 + 2 * e]))
			touched |= 1u << e;
	}
	r[0] = (uint8_t)touched;
	r[1] = (uint8_t)(touched >> 8);
}

static inline void store_touch(int c, uint8_t number, uint8_t value)
{
	uint8_t *r = touch_chips[c].registers;

	if (number == 0x80 && value == 0x63) {
		clear_touch_chip(c);
		r[0x5C] = 0x10; /* reset values of the data sheet */
		r[0x5D] = 0x24;
	} else if (number == 0x5E || !(r[0x5E] & 0x0F) || (number >= 0x41 && number <= 0x58)) {
		r[number] = value; /* most registers take a value only while stopped */
	}
}

#endif
