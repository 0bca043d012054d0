# MicroPython board program of matbridge for touch electrodes: MPR121-class chips on I2C.
# Copy it to the board as main.py, beside board_wire.py. Wiring and what the chip's own baseline
# does: see the Arduino program; the pins below suit an ESP32.
import time

from board_wire import Board
from machine import I2C, Pin

# ---- options ----
ZONES = 12
SEND_PRESSURE = True  # True: baseline minus filtered, 0-1023; False: 0 or 1
RATE_HZ = 50
PACKED = False
BOARD_NAME = "touch board"
CHIPS = (0x5A,)  # in the order of the zones
TOUCH_THRESHOLD = 15  # 0F and 0A: quick start of application note AN3944
RELEASE_THRESHOLD = 10
I2C_NUMBER, SDA, SCL = 0, 21, 22
# ---- end of the options ----

ELECTRODES = 12
LOOK_AGAIN_MS = 1000  # for a chip that did not answer

# Registers, MPR121 data sheet.
TOUCH_STATUS, FILTERED, BASELINE, FILTERS, THRESHOLDS = 0x00, 0x04, 0x1E, 0x2B, 0x41
FIRST_CONFIG, SECOND_CONFIG, ELECTRODE_CONFIG, SOFT_RESET = 0x5C, 0x5D, 0x5E, 0x80
FOLLOW = (1, 1, 0, 0, 1, 1, 0xFF, 2)  # AN3944 quick start

i2c = I2C(I2C_NUMBER, sda=Pin(SDA), scl=Pin(SCL), freq=400000)
answers = [False] * len(CHIPS)
looked_ms = [time.ticks_ms() - LOOK_AGAIN_MS]


def write(chip, register, *values):
    i2c.writeto_mem(chip, register, bytes(values))


def set_up(chip):
    try:
        write(chip, SOFT_RESET, 0x63)
        write(chip, ELECTRODE_CONFIG, 0)
        for offset, value in enumerate(FOLLOW):
            write(chip, FILTERS + offset, value)
        for electrode in range(ELECTRODES):
            write(chip, THRESHOLDS + 2 * electrode, TOUCH_THRESHOLD)
            write(chip, THRESHOLDS + 2 * electrode + 1, RELEASE_THRESHOLD)
        write(chip, FIRST_CONFIG, 0x10)
        write(chip, SECOND_CONFIG, 0x20)
        write(chip, ELECTRODE_CONFIG, 0x80 | ELECTRODES)
    except OSError:
        return False
    return True


def read_chip(chip):
    """Twelve readings, or None when the chip does not answer."""
    try:
        status = i2c.readfrom_mem(chip, TOUCH_STATUS, 2)
        if not SEND_PRESSURE:
            touched = status[0] | (status[1] & 0x0F) << 8
            return [touched >> electrode & 1 for electrode in range(ELECTRODES)]
        filtered = i2c.readfrom_mem(chip, FILTERED, 2 * ELECTRODES)
        baseline = i2c.readfrom_mem(chip, BASELINE, ELECTRODES)
    except OSError:
        return None
    # The baseline register holds the upper eight of ten bits.
    return [
        min(1023, max(0, (baseline[e] << 2) - (filtered[2 * e] | filtered[2 * e + 1] << 8)))
        for e in range(ELECTRODES)
    ]


def read(readings):
    now_ms = time.ticks_ms()
    if time.ticks_diff(now_ms, looked_ms[0]) >= LOOK_AGAIN_MS:
        looked_ms[0] = now_ms
        for index, chip in enumerate(CHIPS):
            answers[index] = answers[index] or set_up(chip)
    for index, chip in enumerate(CHIPS):
        twelve = read_chip(chip) if answers[index] else None
        answers[index] = twelve is not None
        first = index * ELECTRODES
        for electrode in range(min(ELECTRODES, ZONES - first)):
            readings[first + electrode] = twelve[electrode] if twelve else 0


board = Board(ZONES, 10, RATE_HZ, PACKED, BOARD_NAME, read)

if __name__ == "__main__":
    board.run()
