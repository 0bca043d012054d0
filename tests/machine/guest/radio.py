"""Runs inside the test machine: a Bluetooth adapter of its kernel whose controller is outside.

    kernel (hci_vhci) <-> /dev/vhci <-> virtio port NAME <-> whoever emulates the controller

The adapter is there as long as this runs. Bytes are those of a UART transport: a type, then the
packet (Bluetooth Core Specification, volume 4, part A).
"""

import os
import select
import sys

VENDOR, PRIMARY = 0xFF, 0x00

# Of each type: the size of the header after it, and where in there the length of the rest stands.
HEADERS = {1: (3, 2, 1), 2: (4, 2, 2), 3: (3, 2, 1), 4: (2, 1, 1), 5: (4, 2, 2)}


def whole(waiting):
    """The length of the first packet; more than there is when it has not all come."""
    if not waiting:
        return 1
    size, at, width = HEADERS[waiting[0]]
    if len(waiting) <= size:
        return len(waiting) + 1
    return 1 + size + int.from_bytes(waiting[1 + at : 1 + at + width], "little")


def main():
    outside = os.open(f"/dev/virtio-ports/{sys.argv[1]}", os.O_RDWR)
    kernel = os.open("/dev/vhci", os.O_RDWR)
    os.write(kernel, bytes((VENDOR, PRIMARY)))
    waiting = b""
    while True:
        ready, _, _ = select.select([outside, kernel], [], [])
        if kernel in ready:
            packet = os.read(kernel, 4096)
            if packet[0] != VENDOR:
                os.write(outside, packet)
        if outside in ready:
            waiting += os.read(outside, 4096)
            while (size := whole(waiting)) <= len(waiting):
                os.write(kernel, waiting[:size])
                waiting = waiting[size:]


main()
