"""The boards of a mat, examined: found, allowed, heard, sound, quiet, and how late."""

from __future__ import annotations

import os
import time
from statistics import median

from matbridge.board import adapter
from matbridge.board.guess import MAX_BYTES, Guess, Looks, guess
from matbridge.cli.doctor_latency import budget
from matbridge.cli.doctor_listen import REBOOT_S, Heard, listen
from matbridge.display.doctor_report import Finding, State
from matbridge.display.latency import Budget
from matbridge.errors import BoardUnavailable
from matbridge.mapping.plan import BoardPlan, MatPlan, Show
from matbridge.plain import escaped
from matbridge.sensing.advice import SATURATED_SHARE
from matbridge.sensing.calibration_file import MAX_BITS
from matbridge.sensing.stillness import Stillness
from matbridge.service.boards import SIMULATED

# The rates that boards are set to, the likeliest first; our own programs' are among them.
BAUDS = (
    115_200, 500_000, 921_600, 250_000, 9600, 57_600, 230_400, 460_800, 1_000_000, 38_400, 19_200,
    2_000_000,
)  # fmt: skip

# How long a board is heard at a rate, once it says something: some scans of the slowest.
HEAR_S = 0.5

# A quiet FTDI adapter holds bytes for 16 ms; 2 is as good as the least.
SHORT_TIMER_MS = 2

# Of a link that works, fewer scans than this are damaged or lost.
BAD_SHARE = 0.001

# A zone is noisy beyond this share of the range, and humming beyond twice that.
NOISY_SHARE = 0.01

STEP_OFF = "keep off the mat; if nobody is on it, look for loose contacts"
SHIELD = "shorten or shield the cables, or average in the board"
GROUND = "lead the cables away from the mains, and ground the board"
SHORT = "look for a short, or take off what lies on it"


def examine_boards(
    mat: MatPlan, show: Show | None, seconds: float
) -> tuple[list[Finding], list[Budget]]:
    """What there is to say of each board, and a latency budget for each that is heard."""
    findings: list[Finding] = []
    budgets = []
    for number, heard in enumerate(listen(mat, seconds)):
        name = f"board {number + 1}" if len(mat.boards) > 1 else "board"
        findings += _found(name, heard)
        if heard.scans:
            findings += [*_link(heard), *_zones(mat, heard)]
            budgets.append(budget(mat, show, heard))
        elif heard.status.get("found"):
            findings.append(_unheard(mat, heard))
    return findings, budgets


def may_use(about: str, device: str) -> Finding:
    """Whether this user may open a device, with its group if not."""
    try:
        access = adapter.access(device)
    except OSError as error:
        text = f"{escaped(device)}: {error.strerror or error}"
        return Finding(about, State.WRONG, text, "plug it in, or see matbridge ports")
    if access.allowed:
        return Finding(about, State.GOOD, f"{escaped(device)} may be used (group {access.group})")
    text = f"{escaped(device)} may not be used: it belongs to the group {access.group}"
    remedy = f"sudo usermod -aG {access.group} $USER, then log out and in again"
    if access.allowed_later:
        remedy = f"this user is in {access.group} since the last login: log out and in again"
    return Finding(about, State.WRONG, text, remedy)


def _found(name: str, heard: Heard) -> list[Finding]:
    """Whether it is there, and what Linux says of the device."""
    plan, status = heard.plan, heard.status
    port = escaped(plan.port)
    if plan.port == SIMULATED:
        return [Finding(name, State.GOOD, "simulated: no wire and no sensors to examine")]
    if not status.get("found"):
        why = escaped(str(status.get("why", "it is not there")))
        return [Finding(name, State.WRONG, why), *_claims(plan.port)]
    device = str(status.get("device", ""))
    driver = adapter.driver(device) if device else ""
    text = f"{port} is there" + (f": {escaped(device)}" if device and device != plan.port else "")
    found = [Finding(name, State.GOOD, text + (f", driver {driver}" if driver else ""))]
    if device:
        found += [may_use("permission", device), *_claims(device), *_timer(device)]
    return found


def _claims(device: str) -> list[Finding]:
    """Other programs that have the device open, or may open it."""
    found = []
    held = adapter.holders(device)
    if held:
        text = f"also opened by {', '.join(map(escaped, held))}: bytes go to either"
        found.append(Finding("other programs", State.WRONG, text, "end it while you play"))
    for program in adapter.claimants():
        if program == "ModemManager" and adapter.modem_probing_off(device):
            continue
        text = f"{program} runs, and opens new serial ports to see what they are"
        remedy = "install the udev rule of systemd/, or stop it"
        found.append(Finding("other programs", State.NOTE, text, remedy))
    return found


def _timer(device: str) -> list[Finding]:
    timer = adapter.latency_timer(device)
    if timer is None:
        return []
    path, milliseconds = timer
    if milliseconds <= SHORT_TIMER_MS:
        return [Finding("latency timer", State.GOOD, f"{milliseconds} ms")]
    text = f"the adapter may hold every scan for {milliseconds} ms"
    remedy = f"echo 1 | sudo tee {path}, or install the udev rule of systemd/"
    return [Finding("latency timer", State.NOTE, text, remedy)]


def _unheard(mat: MatPlan, heard: Heard) -> Finding:
    """Why a board that is there gives no scans: what its bytes look like, at any rate."""
    data = b"".join(chunk for chunk, _ in heard.reads)[:MAX_BYTES]
    found = guess(data)
    plan = heard.plan
    if found.looks is Looks.NOTHING:
        text = "it is there and sends nothing"
        remedy = "is its program running? many boards send only with dtr: true"
        return Finding("format", State.WRONG, text, remedy)
    if found.looks in (Looks.TEXT, Looks.PACKED):
        return Finding("format", State.WRONG, *_as_guessed(mat, plan, found, plan.baud))
    tried = []
    for baud in BAUDS:
        if baud == plan.baud:
            continue
        tried.append(baud)
        other = guess(hear(plan, baud))
        if other.looks in (Looks.TEXT, Looks.PACKED):
            return Finding("format", State.WRONG, *_as_guessed(mat, plan, other, baud))
    if found.looks is Looks.WORDS:
        text = f"it sends words, not scans: {escaped(found.sample)!r}"
        return Finding("format", State.WRONG, text, "put a board program on it (board-program)")
    text = f"its bytes are no scans at {plan.baud} baud, nor at {', '.join(map(str, tried))}"
    return Finding("format", State.WRONG, text, "look at the rate in the board's program")


def _as_guessed(mat: MatPlan, plan: BoardPlan, found: Guess, baud: int) -> tuple[str, str]:
    """What a board sends that its mat file does not expect, and what to do about it."""
    announced = found.hello.bits if found.hello is not None else 0
    exact = announced > 0 or found.looks is Looks.PACKED
    bits = max(found.bits, announced)
    text = (
        f"it sends {found.looks}, {found.channels} readings "
        f"{'of' if exact else 'that need'} {bits} bits"
    )
    unread = [mat.zones[zone].name for zone in plan.zones[found.channels :] if zone >= 0]
    board = []
    if found.looks != plan.format:
        board.append(f"format: {found.looks}")
    if baud != plan.baud:
        board.append(f"baud: {baud}")
    if found.channels != plan.channels and not unread:
        board.append(f"channels: {found.channels}")
    write = [f"under its board: {', '.join(board)}"] if board else []
    if mat.sensor.bits < bits <= MAX_BITS or (exact and bits != mat.sensor.bits):
        write.append(f"under sensor: bits: {bits}")
    remedies = [f"write in the mat file, {'; '.join(write)}"] if write else []
    if bits > MAX_BITS:
        remedies.append(f"let its program bring its readings down to {MAX_BITS} bits or fewer")
    if unread:
        remedies.append(
            f"it has no reading for {', '.join(unread)}: let its program send {_needed(plan)}"
            " readings, or take out the zones that it does not have"
        )
    return text, "\n".join(remedies) or "listen again: the mat file says the same"


def _needed(plan: BoardPlan) -> int:
    """How many readings a scan must have for every zone of a board."""
    return max(channel for channel, zone in enumerate(plan.zones) if zone >= 0) + 1


def hear(plan: BoardPlan, baud: int) -> bytes:
    """What a serial board sends at another rate, for a while; nothing where it cannot be opened."""
    from select import select

    from matbridge.board.serial_port import SerialPort

    options = dict(plan.options)
    try:
        port = SerialPort(
            plan.port, baud, dtr=bool(options.get("dtr", True)), rts=bool(options.get("rts", True))
        )
    except BoardUnavailable:
        return b""
    data = b""
    try:
        end_s = time.monotonic() + REBOOT_S
        while (left_s := end_s - time.monotonic()) > 0 and len(data) < MAX_BYTES:
            if select([port.fd], [], [], left_s)[0]:
                if not data:
                    end_s = min(end_s, time.monotonic() + HEAR_S)
                data += os.read(port.fd, 4096)
    except OSError:
        pass
    finally:
        port.close()
    return data


def _link(heard: Heard) -> list[Finding]:
    """What the board says it is, how fast it scans, and what is lost on the way."""
    found = []
    hello, plan, counts = heard.decoder.hello, heard.plan, heard.decoder.counts
    if hello is not None:
        text = f"says it is '{escaped(hello.name)}', program {escaped(hello.program)}"
        found.append(Finding("announcement", State.GOOD, text))
    rate_hz = heard.rate_hz
    text = f"{rate_hz:.0f} scans a second, {plan.channels} readings, {plan.format}"
    if hello is not None and hello.rate_hz and rate_hz < 0.9 * hello.rate_hz:
        text += f"; the board means to send {hello.rate_hz}"
        found.append(Finding("scans", State.WRONG, text, "the line is too slow: raise its baud"))
    else:
        found.append(Finding("scans", State.GOOD, text))
    share = (counts.damaged + counts.lost) / max(counts.scans, 1)
    text = f"{counts.damaged} damaged, {counts.lost} lost of {counts.scans}"
    if plan.format == "text":
        text = f"{counts.damaged} damaged of {counts.scans}; text cannot tell what was lost"
    state = State.WRONG if share > BAD_SHARE else State.GOOD
    remedy = (
        "shorten the cable, lower the baud, or look who else reads it" if share > BAD_SHARE else ""
    )
    return [*found, Finding("link", state, text, remedy)]


def _zones(mat: MatPlan, heard: Heard) -> list[Finding]:
    """Every zone at rest: noise, hum, what moves, and what stands at an end of the range."""
    if heard.plan.port == SIMULATED:
        return []
    still = Stillness([heard.plan.zones], len(mat.zones), mat.sensor.bits)
    for scan in heard.scans:
        rests = still.feed(0, scan)
        if rests is not None:
            break
    else:
        rests = still.take_now() or still.last
    if rests is None:
        return []
    top = (1 << mat.sensor.bits) - 1
    measured = {zone: rest for zone, rest in enumerate(rests) if rest is not None}
    if not measured:
        return []
    usual = median(rest.noise for rest in measured.values())
    worst = max(measured, key=lambda zone: measured[zone].noise)
    text = (
        f"{usual:.1f} readings usually, {measured[worst].noise:.1f} at most "
        f"({mat.zones[worst].name})"
    )
    found = [Finding("noise", State.GOOD, text)]
    for about, state, remedy, holds in (
        ("moving", State.NOTE, STEP_OFF, lambda rest: not rest.still),
        ("noisy", State.NOTE, SHIELD, lambda rest: rest.still and rest.noise > NOISY_SHARE * top),
        ("hum", State.NOTE, GROUND, lambda rest: rest.hum > 2 * NOISY_SHARE * top),
        ("at the top", State.WRONG, SHORT, lambda rest: rest.level > SATURATED_SHARE * top),
    ):
        names = [mat.zones[zone].name for zone, rest in measured.items() if holds(rest)]
        if names:
            found.append(Finding(about, state, ", ".join(names), remedy))
    return found
