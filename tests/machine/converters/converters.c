// SPDX-License-Identifier: GPL-2.0
/*
 * For the tests only: an SPI bus with three MCP3008 converters on it, clocked bit by bit as their
 * data sheet (Microchip DS21295) says: a start bit, "single-ended", three bits of input, a clock
 * to sample, a null bit, then ten bits of the answer, highest first.
 *
 *     insmod converters.ko                    for spidev: /dev/spidev0.0 to 0.2
 *     insmod converters.ko driver=mcp3008     for the kernel's own driver
 *     echo 1,2,3,... > /sys/module/converters/parameters/inputs
 */
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/spi/spi.h>

#define CONVERTERS 3
#define INPUTS 8

static ushort inputs[CONVERTERS * INPUTS];
module_param_array(inputs, ushort, NULL, 0644);
MODULE_PARM_DESC(inputs, "what the inputs read, 0-1023, converter by converter");

/* Any name that the spidev driver answers to; none is "spidev" itself. */
static char *driver = "dh2228fv";
module_param(driver, charp, 0444);
MODULE_PARM_DESC(driver, "which kernel driver the converters are for");

static struct platform_device *bus_device;
static struct spi_controller *bus;

enum phase { IDLE, COMMAND, SAMPLE, ANSWER };

struct converter {
	enum phase phase;
	int left; /* bits of this phase still to come */
	unsigned int command, answer;
};

/* One clock: what the converter drives while it takes `in`. */
static int tick(struct converter *chip, int select, int in)
{
	int out = 0;

	switch (chip->phase) {
	case IDLE:
		if (in) {
			chip->phase = COMMAND;
			chip->left = 4;
			chip->command = 0;
		}
		break;
	case COMMAND:
		chip->command = chip->command << 1 | in;
		if (!--chip->left) {
			chip->phase = SAMPLE;
			chip->left = 2; /* the sampling clock, then the null bit */
		}
		break;
	case SAMPLE:
		if (!--chip->left) {
			chip->phase = ANSWER;
			chip->left = 10;
			/* bit 3 of the command is "single-ended"; pairs are not wired here */
			chip->answer = chip->command & 8 ?
				       inputs[select * INPUTS + (chip->command & 7)] : 0;
		}
		break;
	case ANSWER:
		if (chip->left)
			out = chip->answer >> --chip->left & 1;
		break;
	}
	return out;
}

static int transfer(struct spi_controller *controller, struct spi_message *message)
{
	struct converter chip = { .phase = IDLE };
	int select = message->spi->chip_select;
	struct spi_transfer *part;

	list_for_each_entry(part, &message->transfers, transfer_list) {
		const u8 *out = part->tx_buf;
		u8 *in = part->rx_buf;
		unsigned int at;
		int bit;

		for (at = 0; at < part->len; at++) {
			u8 sent = out ? out[at] : 0, got = 0;

			for (bit = 7; bit >= 0; bit--)
				got = got << 1 | tick(&chip, select, sent >> bit & 1);
			if (in)
				in[at] = got;
		}
		message->actual_length += part->len;
		if (part->cs_change)
			chip.phase = IDLE;
	}
	message->status = 0;
	spi_finalize_current_message(controller);
	return 0;
}

static int __init converters_init(void)
{
	struct spi_board_info chip = { .max_speed_hz = 3600000 };
	int select, error;

	bus_device = platform_device_register_simple("test-converters", -1, NULL, 0);
	if (IS_ERR(bus_device))
		return PTR_ERR(bus_device);
	bus = spi_alloc_master(&bus_device->dev, 0);
	if (!bus) {
		error = -ENOMEM;
		goto no_bus;
	}
	bus->bus_num = 0;
	bus->num_chipselect = CONVERTERS;
	bus->mode_bits = SPI_MODE_3 | SPI_CS_HIGH;
	bus->transfer_one_message = transfer;
	error = spi_register_controller(bus);
	if (error)
		goto no_registration;
	strscpy(chip.modalias, driver, sizeof(chip.modalias));
	for (select = 0; select < CONVERTERS; select++) {
		chip.chip_select = select;
		spi_new_device(bus, &chip);
	}
	return 0;

no_registration:
	spi_controller_put(bus);
no_bus:
	platform_device_unregister(bus_device);
	return error;
}

static void __exit converters_exit(void)
{
	spi_unregister_controller(bus);
	platform_device_unregister(bus_device);
}

module_init(converters_init);
module_exit(converters_exit);
MODULE_DESCRIPTION("Converters on a bus of their own, for tests");
MODULE_LICENSE("GPL");
