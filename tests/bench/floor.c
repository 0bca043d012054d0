/* The floor of this machine: the plain script's job with nothing in the way.
 *
 *     cc -O2 -o floor floor.c
 *     floor BOARD OUT ZONES text|packed
 *
 * A blocking read, a parse in place, a threshold, one write a scan. Nothing is allocated.
 * The packed frame is the one of matbridge/board/packed.py, checksum and all. */
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#define THRESHOLD 200
#define FIRST_NOTE 36
#define MOST_ZONES 1024

static unsigned char incoming[65536], outgoing[MOST_ZONES * 3];
static unsigned char pressed[MOST_ZONES];
static int readings[MOST_ZONES];
static int zones, out_fd;

static int open_raw(const char *path, int flags)
{
	struct termios line;
	int fd = open(path, flags | O_NOCTTY);

	if (fd < 0) {
		perror(path);
		exit(1);
	}
	if (tcgetattr(fd, &line) == 0) {
		cfmakeraw(&line);
		line.c_cc[VMIN] = 1;
		line.c_cc[VTIME] = 0;
		tcsetattr(fd, TCSANOW, &line);
	}
	return fd;
}

static void play(void)
{
	size_t length = 0, sent = 0;

	for (int zone = 0; zone < zones; zone++) {
		int hit = readings[zone] >= THRESHOLD;
		if (hit == pressed[zone])
			continue;
		pressed[zone] = (unsigned char)hit;
		int key = FIRST_NOTE + zone, velocity = readings[zone] >> 3;
		outgoing[length++] = (unsigned char)((hit ? 0x90 : 0x80) | key >> 7);
		outgoing[length++] = (unsigned char)(key & 127);
		outgoing[length++] =
			(unsigned char)(hit ? velocity < 1 ? 1 : velocity > 127 ? 127 : velocity : 64);
	}
	while (sent < length) {
		ssize_t n = write(out_fd, outgoing + sent, length - sent);
		if (n < 0) {
			perror("write");
			exit(1);
		}
		sent += (size_t)n;
	}
}

static void text(int fd)
{
	int zone = 0, value = 0, wrong = 0;
	ssize_t n;

	while ((n = read(fd, incoming, sizeof incoming)) > 0)
		for (ssize_t i = 0; i < n; i++) {
			unsigned c = incoming[i];
			if (c - '0' < 10) {
				value = value * 10 + (int)(c - '0');
				continue;
			}
			if (zone < zones)
				readings[zone] = value;
			else
				wrong = 1;
			value = 0;
			zone++;
			if (c == ',')
				continue;
			if (c != '\n') {
				wrong = 1;
				continue;
			}
			if (!wrong && zone == zones)
				play();
			zone = 0;
			wrong = 0;
		}
}

static uint16_t crc_table[256];

static void make_crc_table(void)
{
	for (unsigned byte = 0; byte < 256; byte++) {
		uint16_t crc = (uint16_t)(byte << 8);
		for (int bit = 0; bit < 8; bit++)
			crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
		crc_table[byte] = crc;
	}
}

/* COBS frame to readings: the layout is drawn in matbridge/board/packed.py */
static void frame(const unsigned char *coded, size_t length)
{
	static unsigned char plain[sizeof incoming];
	size_t made = 0, i = 0;

	while (i < length) {
		size_t code = coded[i++];
		if (i + code - 1 > length)
			return;
		memcpy(plain + made, coded + i, code - 1);
		made += code - 1;
		i += code - 1;
		if (code < 255 && i < length)
			plain[made++] = 0;
	}
	uint16_t crc = 0xFFFF;
	for (size_t k = 0; k < made; k++)
		crc = (uint16_t)(crc << 8 ^ crc_table[(crc >> 8 ^ plain[k]) & 255]);
	if (made < 12 || crc != 0 || plain[0] != 0x11)
		return;
	int bits = plain[1], count = plain[8] | plain[9] << 8;
	if (count != zones || made != 12 + ((size_t)count * (size_t)bits + 7) / 8)
		return;
	uint32_t waiting = 0;
	int held = 0;
	const unsigned char *body = plain + 10;
	for (int zone = 0; zone < zones; zone++) {
		while (held < bits) {
			waiting |= (uint32_t)*body++ << held;
			held += 8;
		}
		readings[zone] = (int)(waiting & ((1u << bits) - 1));
		waiting >>= bits;
		held -= bits;
	}
	play();
}

static void packed(int fd)
{
	size_t kept = 0;
	ssize_t n;

	while ((n = read(fd, incoming + kept, sizeof incoming - kept)) > 0) {
		size_t end = kept + (size_t)n, begin = 0;
		for (size_t i = kept; i < end; i++)
			if (incoming[i] == 0) {
				frame(incoming + begin, i - begin);
				begin = i + 1;
			}
		kept = end - begin;
		memmove(incoming, incoming + begin, kept);
		if (kept == sizeof incoming)
			kept = 0;
	}
}

int main(int argc, char **argv)
{
	if (argc != 5) {
		fprintf(stderr, "usage: %s BOARD OUT ZONES text|packed\n", argv[0]);
		return 2;
	}
	zones = atoi(argv[3]);
	if (zones < 1 || zones > MOST_ZONES)
		return 2;
	int fd = open_raw(argv[1], O_RDONLY);
	out_fd = open_raw(argv[2], O_WRONLY);
	make_crc_table();
	if (strcmp(argv[4], "packed") == 0)
		packed(fd);
	else
		text(fd);
	return 0;
}
