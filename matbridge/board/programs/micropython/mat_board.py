# MicroPython board program of matbridge for force sensors: MCP3008-class converters on SPI.
# Copy it to the board as main.py, beside board_wire.py. Wiring: see the Arduino program; the pins
# below suit an ESP32.
from board_wire import Board
from machine import SPI, Pin

# ---- options ----
ZONES = 24
BITS = 10
RATE_HZ = 100
PACKED = False
BOARD_NAME = "mat board"
CHIP_SELECTS = (5, 25, 26)  # one for each converter, first zones first
SPI_NUMBER = 2
SPI_HZ = 1000000  # at most 1.35 MHz with a 2.7 V supply (Microchip DS21295)
# ---- end of the options ----

selects = [Pin(number, Pin.OUT, value=1) for number in CHIP_SELECTS]
spi = SPI(SPI_NUMBER, baudrate=SPI_HZ, polarity=0, phase=0)
# Start bit, "single-ended" and three bits of channel, then room for the answer (DS21295).
questions = [bytes((1, (8 | channel) << 4, 0)) for channel in range(8)]
answer = bytearray(3)


def read(readings):
    for zone in range(ZONES):
        select = selects[zone >> 3]
        select.value(0)
        spi.write_readinto(questions[zone & 7], answer)
        select.value(1)
        readings[zone] = (answer[1] & 3) << 8 | answer[2]


board = Board(ZONES, BITS, RATE_HZ, PACKED, BOARD_NAME, read)

if __name__ == "__main__":
    board.run()
