# Stands in for the board's own module under MicroPython's unix port: converters behind chip selects
# on SPI (Microchip DS21295) and a touch chip on I2C (NXP MPR121), whose readings are in a file that
# is read again at every scan.
READINGS = "readings.txt"

_selected = set()


def _readings():
    with open(READINGS) as file:
        return [int(field) for field in file.read().split()]


class Pin:
    OUT = 1

    def __init__(self, number, mode=None, value=1):
        self.number = number
        self.value(value)

    def value(self, level):
        if level:
            _selected.discard(self.number)
        else:
            _selected.add(self.number)


class SPI:
    ORDER = (5, 25, 26)

    def __init__(self, number, baudrate, polarity, phase):
        if polarity != 0 or phase != 0 or baudrate > 3600000:
            raise ValueError("the converter does not run so")

    def write_readinto(self, question, answer):
        (select,) = _selected
        start, channel, _ = question
        if start != 1 or not channel & 0x80:
            raise ValueError("no single-ended conversion was asked for")
        reading = _readings()[self.ORDER.index(select) * 8 + (channel >> 4 & 7)]
        answer[0], answer[1], answer[2] = 0, reading >> 8, reading & 0xFF


class I2C:
    REST = 700

    def __init__(self, number, sda, scl, freq):
        self._registers = bytearray(256)

    def writeto_mem(self, chip, register, values):
        if chip != 0x5A:
            raise OSError(19)
        for offset, value in enumerate(values):
            self._registers[register + offset] = value

    def readfrom_mem(self, chip, register, count):
        if chip != 0x5A:
            raise OSError(19)
        if self._registers[0x5E] & 0x0F:
            touched = 0
            for electrode, depth in enumerate(_readings()[:12]):
                filtered = self.REST - depth
                self._registers[4 + 2 * electrode] = filtered & 0xFF
                self._registers[5 + 2 * electrode] = filtered >> 8
                self._registers[0x1E + electrode] = self.REST >> 2
                touched |= (depth > self._registers[0x41 + 2 * electrode]) << electrode
            self._registers[0], self._registers[1] = touched & 0xFF, touched >> 8
        return bytes(self._registers[register : register + count])
