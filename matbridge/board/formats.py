"""The wire formats by name: what a mat file may say under `format`, and who decodes it."""

from __future__ import annotations

from collections.abc import Callable

from matbridge.board.packed import PackedDecoder
from matbridge.board.scan import Decoder
from matbridge.board.text import TextDecoder

# Called with the number of readings in a scan (1-1024) and the bits of one (1-16).
DECODERS: dict[str, Callable[[int, int], Decoder]] = {
    "text": TextDecoder,
    "packed": PackedDecoder,
}
