"""`python -m matbridge.board.readers KIND ...`: one reader, which ends with the bridge.

Its standard output is a pipe of packed frames. One line on its standard error says why it ended.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Sequence

from matbridge.board.hello import Hello
from matbridge.board.readers import steady
from matbridge.errors import BoardError

PROGRAM = "1.0"


def main(argv: Sequence[str]) -> int:
    """Run one reader until the bridge closes the pipe; 1 when it cannot go on."""
    parser = argparse.ArgumentParser(prog="matbridge reader")
    parser.add_argument("kind", choices=("spi", "iio", "i2c"))
    parser.add_argument("--channels", type=int, required=True)
    parser.add_argument("--rate-hz", type=int, required=True)
    parser.add_argument("--at", action="append", required=True, help="node, folder or address")
    parser.add_argument("--bus", type=int, default=1)
    parser.add_argument("--clock-hz", type=int, default=1_000_000)
    parser.add_argument("--pressure", action="store_true")
    options = parser.parse_args(argv)
    try:
        read, bits = _source(options)
        hello = Hello(options.channels, bits, options.rate_hz, "packed", PROGRAM, options.kind)
        steady.run(read, hello, sys.stdout.fileno())
    except (BoardError, OSError, ValueError) as error:
        if not isinstance(error, BrokenPipeError):
            print(error, file=sys.stderr, flush=True)
            return 1
    except KeyboardInterrupt:
        pass
    # The interpreter would try to flush the broken pipe once more.
    with contextlib.suppress(OSError):
        os.close(sys.stdout.fileno())
    return 0


def _source(options: argparse.Namespace) -> tuple[Callable[[], Sequence[int]], int]:
    if options.kind == "i2c":
        from matbridge.board.readers import touch_chips

        bus = touch_chips.open_bus(options.bus)
        addresses = [int(text, 0) for text in options.at]
        chips = touch_chips.TouchChips(bus, addresses, options.channels, pressure=options.pressure)
        return chips.read, touch_chips.BITS
    from matbridge.board.readers import converters

    if options.kind == "spi":
        spi = converters.SpiConverters(options.at, options.channels, options.clock_hz)
        return spi.read, converters.BITS
    iio = converters.IioConverters(options.at, options.channels)
    return iio.read, converters.BITS


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
