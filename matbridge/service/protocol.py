"""What is said on the control socket: one JSON object a line, each way.

    {"matbridge": 1, "ask": "preset", "name": "low tide"}
    {"matbridge": 1, "ok": true, "preset": "low tide"}
    {"matbridge": 1, "ok": false, "error": "there is no preset 'low tied'; ..."}

`matbridge` is the version of this protocol; a bridge answers requests of its own version only, and
adds what it likes to its replies. A line ends with LF and is at most MAX_LINE_BYTES long. Requests
of one connection are answered in their order; `watch` is answered by lines without end. A line that
is not a request is answered by an error; nothing is dropped without a word.

The socket lies in the runtime folder as NAME.socket, mode 0600. Only its owner and root are heard.

This module is loaded by the commands that have no time: see matbridge.folders.
"""

from __future__ import annotations

from matbridge.service.quick import from_json, to_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Mapping

    from matbridge.errors import ControlError

VERSION = 1

SOCKET_SUFFIX = ".socket"

# Far above any request: the longest carries the name of a preset.
MAX_LINE_BYTES = 4096

# What can be asked: the fields of each request, with their type; all of them may be absent.
ASKS: dict[str, dict[str, type]] = {
    "presets": {},  # -> presets: names in order; preset: the name of the one that plays
    "preset": {"name": str},  # -> preset; "next" and "previous" too, where no preset is called so
    "status": {},  # -> see matbridge.service.status
    "panic": {},  # -> released: how many notes were sounding
    "reload": {},  # -> performance; answered once it is done, error where the file is wrong
    "transpose": {"by": int, "to": int},  # -> transpose: semitones; with no field it only answers
    "mute": {"to": bool},  # -> muted; with no field it turns over
    "record": {"to": bool},  # -> take: the path of the one being written; with no field turns over
    "stop": {},  # answered before the bridge stops
    "watch": {},  # -> lines of `frame`, see matbridge.service.status
}


def request(ask: str, fields: Mapping[str, object]) -> bytes:
    """A request as it is sent; its fields are texts, integers and truths."""
    return to_json({"matbridge": VERSION, "ask": ask, **fields}).encode() + b"\n"


def reply(fields: Mapping[str, object]) -> bytes:
    """A granted request's answer as it is sent."""
    import json

    return json.dumps({"matbridge": VERSION, "ok": True, **fields}).encode() + b"\n"


def refusal(reason: str) -> bytes:
    """A refused request's answer as it is sent."""
    return to_json({"matbridge": VERSION, "ok": False, "error": reason}).encode() + b"\n"


def read_request(line: bytes) -> tuple[str, dict[str, object]]:
    """What is asked, and its fields. Raises ControlError for anything but a sound request."""
    said = _object(line)
    version = said.pop("matbridge", None)
    if type(version) is not int or version != VERSION:
        raise refused(f"this bridge speaks version {VERSION} of the control protocol only")
    ask = said.pop("ask", None)
    if not isinstance(ask, str) or ask not in ASKS:
        raise refused(f"'ask' must be one of: {', '.join(ASKS)}")
    for name, value in said.items():
        if name not in ASKS[ask]:
            raise refused(f"'{ask}' has no field {name[:40]!r}")
        if type(value) is not ASKS[ask][name]:
            raise refused(f"'{name}' must be of type {ASKS[ask][name].__name__}")
    return ask, said


def read_reply(line: bytes) -> dict[str, object]:
    """The fields of an answer. Raises ControlError with the reason where there is none."""
    said = _object(line)
    if said.pop("matbridge", None) != VERSION:
        raise refused(
            f"the running bridge does not speak version {VERSION} of the control protocol;"
            " restart it with the version that is installed now"
        )
    if said.pop("ok", None) is not True:
        raise refused(str(said.get("error", "the running bridge refused without a reason")))
    return said


def refused(reason: str) -> ControlError:
    """The error of a request that cannot be granted; its class is not cheap to import."""
    from matbridge.errors import ControlError

    return ControlError(reason)


def _object(line: bytes) -> dict[str, object]:
    try:
        said = from_json(line.decode())
    except (ValueError, RecursionError):
        raise refused("a line must hold one JSON object") from None
    if not isinstance(said, dict):
        raise refused("a line must hold one JSON object")
    return said
