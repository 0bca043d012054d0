/* An ATmega328P that runs a board program's machine code in real time, with parts wired to it:
 * MCP3008 converters on SPI (chip selects PB2, PB1, PB0), MPR121 touch chips at 5A and 5B on I2C,
 * and its UART on a pty.
 *
 *     emulator PROGRAM.elf
 *
 * It prints the pty's path, then obeys lines on its standard input and answers each with "ok":
 *     set CHANNEL VALUE     what a converter reads (0-23), or how far an electrode is pressed
 *     reset                 the reset button
 *     hang                  the program jumps into an endless loop with interrupts off
 *     unplug CHIP           touch chip 0 or 1 no longer answers;  plug CHIP  it does again
 *     dropped               prints how many bytes the line lost because nobody read, before "ok"
 *     register CHIP NUMBER  prints a register of a touch chip, in decimal, before "ok"
 * It ends when its standard input does. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#include "parts.h"

static avr_t *avr;
static elf_firmware_t firmware;
static FILE *answers; /* standard output, kept from the emulator's own chatter */

/* ---- the parts, wired to the processor's SPI and I2C ---- */

static avr_irq_t *spi_input;

static void on_select(struct avr_irq_t *irq, uint32_t level, void *which)
{
	(void)irq;
	select_converter(which, !level);
}

static void on_spi_byte(struct avr_irq_t *irq, uint32_t byte, void *unused)
{
	(void)irq, (void)unused;
	avr_raise_irq(spi_input, clock_converters((uint8_t)byte));
}

static avr_irq_t *twi_input;
static int twi_chip = -1, twi_written;
static uint8_t twi_address, twi_register;

static void on_twi(struct avr_irq_t *irq, uint32_t word, void *unused)
{
	avr_twi_msg_irq_t message = {.u.v = word};
	(void)irq, (void)unused;
	if (message.u.twi.msg & TWI_COND_STOP)
		twi_chip = -1;
	if (message.u.twi.msg & TWI_COND_START) {
		twi_chip = touch_chip_at(message.u.twi.addr >> 1);
		twi_written = 0;
		twi_address = message.u.twi.addr;
		if (twi_chip >= 0) {
			measure_touch(twi_chip);
			avr_raise_irq(twi_input, avr_twi_irq_msg(TWI_COND_ACK, twi_address, 1));
		}
	}
	if (twi_chip < 0)
		return;
	if (message.u.twi.msg & TWI_COND_WRITE) {
		avr_raise_irq(twi_input, avr_twi_irq_msg(TWI_COND_ACK, twi_address, 1));
		if (twi_written++ == 0)
			twi_register = message.u.twi.data;
		else
			store_touch(twi_chip, twi_register++, message.u.twi.data);
	}
	if (message.u.twi.msg & TWI_COND_READ) {
		uint8_t value = touch_chips[twi_chip].registers[twi_register++];
		avr_raise_irq(twi_input, avr_twi_irq_msg(TWI_COND_READ, twi_address, value));
	}
}

/* ---- the serial line ---- */

static int line;
static avr_irq_t *uart_input;
static int uart_ready = 1;
static uint8_t sent[65536];
static size_t sent_length;
static unsigned long dropped;

static void on_uart_byte(struct avr_irq_t *irq, uint32_t byte, void *unused)
{
	(void)irq, (void)unused;
	if (sent_length < sizeof sent)
		sent[sent_length++] = (uint8_t)byte;
}

static void on_uart_ready(struct avr_irq_t *irq, uint32_t value, void *state)
{
	(void)irq, (void)value;
	uart_ready = state != NULL;
}

static void open_line(void)
{
	struct termios raw;
	line = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
	if (line < 0 || grantpt(line) || unlockpt(line))
		exit(3);
	int far = open(ptsname(line), O_RDWR | O_NOCTTY); /* kept, so that a reader may come and go */
	tcgetattr(far, &raw);
	cfmakeraw(&raw);
	tcsetattr(far, TCSANOW, &raw);
}

/* A UART has no memory: what nobody reads in time is gone. */
static void serve_line(void)
{
	size_t done = 0;
	uint8_t byte;
	while (done < sent_length) {
		ssize_t n = write(line, sent + done, sent_length - done);
		if (n <= 0)
			break;
		done += (size_t)n;
	}
	dropped += sent_length - done;
	sent_length = 0;
	while (uart_ready && read(line, &byte, 1) == 1)
		avr_raise_irq(uart_input, byte);
}

/* ---- orders ---- */

static uint32_t stop_address(void)
{
	/* avr-libc's _exit ends in "cli; rjmp .-2": f8 94 ff cf */
	for (uint32_t at = 0; at + 3 < avr->flashend; at += 2)
		if (!memcmp(avr->flash + at, "\xf8\x94\xff\xcf", 4))
			return at;
	return 0;
}

static void obey(const char *order)
{
	int a, b;
	if (sscanf(order, "set %d %d", &a, &b) == 2 && a >= 0 && a < CHANNELS)
		values[a] = b;
	else if (!strcmp(order, "dropped"))
		fprintf(answers, "%lu\n", dropped);
	else if (!strcmp(order, "reset"))
		avr_reset(avr);
	else if (!strcmp(order, "hang"))
		avr->pc = stop_address();
	else if (sscanf(order, "unplug %d", &a) == 1 && a >= 0 && a < TOUCH_CHIPS)
		touch_chips[a].present = 0;
	else if (sscanf(order, "plug %d", &a) == 1 && a >= 0 && a < TOUCH_CHIPS) {
		clear_touch_chip(a);
		touch_chips[a].present = 1;
	} else if (sscanf(order, "register %d %d", &a, &b) == 2 && a >= 0 && a < TOUCH_CHIPS)
		fprintf(answers, "%d\n", touch_chips[a].registers[b & 255]);
	else {
		fprintf(answers, "unknown order: %s\n", order);
		return;
	}
	fputs("ok\n", answers);
}

static int serve_orders(void)
{
	static char text[4096];
	static size_t length;
	struct pollfd ready = {.fd = 0, .events = POLLIN};
	while (poll(&ready, 1, 0) > 0) {
		ssize_t n = read(0, text + length, sizeof text - 1 - length);
		if (n <= 0)
			return 0;
		length += (size_t)n;
		text[length] = 0;
		char *end;
		while ((end = strchr(text, '\n'))) {
			*end = 0;
			obey(text);
			length -= (size_t)(end + 1 - text);
			memmove(text, end + 1, length + 1);
		}
		fflush(answers);
	}
	return 1;
}

static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

int main(int argc, char **argv)
{
	answers = fdopen(dup(1), "w");
	dup2(2, 1);
	if (argc != 2 || elf_read_firmware(argv[1], &firmware)) {
		fprintf(stderr, "usage: %s PROGRAM.elf\n", argv[0]);
		return 2;
	}
	avr = avr_make_mcu_by_name("atmega328p");
	avr_init(avr);
	firmware.frequency = 16000000;
	avr_load_firmware(avr, &firmware);
	avr->frequency = 16000000;
	avr->log = LOG_ERROR;

	uint32_t flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
	flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_t *uart = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
	uart_input = uart + UART_IRQ_INPUT;
	avr_irq_register_notify(uart + UART_IRQ_OUTPUT, on_uart_byte, NULL);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XON, on_uart_ready, avr);
	avr_irq_register_notify(uart + UART_IRQ_OUT_XOFF, on_uart_ready, NULL);

	spi_input = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT),
				on_spi_byte, NULL);
	for (int c = 0; c < CONVERTERS; c++)
		avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 2 - c),
					on_select, &converters[c]);

	twi_input = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT),
				on_twi, NULL);
	for (int c = 0; c < TOUCH_CHIPS; c++)
		touch_chips[c].present = 1;

	open_line();
	fprintf(answers, "%s\n", ptsname(line));
	fflush(answers);

	double start_s = now_s();
	for (uint64_t millisecond = 1; serve_orders(); millisecond++) {
		avr_cycle_count_t end = avr->cycle + avr->frequency / 1000;
		while (avr->cycle < end) {
			int state = avr_run(avr);
			if (state == cpu_Crashed) {
				fprintf(stderr, "the program crashed\n");
				return 4;
			}
		}
		serve_line();
		double ahead_s = (double)millisecond / 1e3 - (now_s() - start_s);
		if (ahead_s > 0)
			usleep((useconds_t)(ahead_s * 1e6));
		else if (ahead_s < -1)
			start_s = now_s() - (double)millisecond / 1e3; /* a slow machine: let it be late */
	}
	return 0;
}
