"""Playing over Bluetooth LE through Debian's own bluetoothd: to a phone, and to BlueZ's own reader.

    board -> matbridge -> D-Bus -> bluetoothd -> kernel -> adapter hci0 ~ air ~ receiver

The receiver is a phone of bumble's outside the machine; or a second adapter of the machine, hci1,
whose bluetoothd plays what it decodes into the ALSA sequencer, where aseqdump shows it. There one
kernel and one daemon are at both ends of the air: that shows that BlueZ's reader of MIDI packets,
which shares nothing with ours, finds the service, connects, and understands what a performance
sends. That two ends with nothing in common get on is shown by the phone. Neither shows real radios,
their timing, or the Bluetooth of real phones.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator

import pytest
from bumble.core import AdvertisingData
from bumble.hci import Address

from matbridge.midi.ble_packet import OVERHEAD
from tests.machine.air import Adapter, Air, Phone
from tests.machine.board import ZONES, HostBoard
from tests.machine.conftest import PROGRAM
from tests.machine.machine import SERIAL_NUMBER, Machine

BY_ID = f"/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_{SERIAL_NUMBER}-if00-port0"
HERE = "F0:F0:F0:F0:F0:F0"
HEARD = "/tmp/air.txt"  # noqa: S108 - inside the machine
BESIDE = "F2:F2:F2:F2:F2:F2"
NAME = "stepping stones"
HOME = "/home/player"
FIRST_NOTE = 60
CHORD = (48, 52, 55, 58, 62, 66, 69)  # a whole 13th chord on C3 with a sharp eleventh
CHORD_ZONE = 5

MAT = f"""\
mat: quay
board: {{port: {BY_ID}, format: packed}}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
""" + "".join(f"  - {{name: q{zone}, at: [{zone * 50}, 0]}}\n" for zone in range(ZONES))
SHOW = (
    f"""\
performance: quay
mat: quay.mat.yaml
outputs: {{phone: {{bluetooth: {NAME}}}}}
defaults: {{output: phone, channel: 2}}
presets:
  ebb:
    enter: {{program: marimba}}
    zones:
"""
    + "".join(f"      q{zone}: {{note: {FIRST_NOTE + zone}}}\n" for zone in range(CHORD_ZONE))
    + (f"      q{CHORD_ZONE}: {{layers: [{', '.join(f'{{note: {note}}}' for note in CHORD)}]}}\n")
)
SHOW += f"""\
  flow:
    enter: {{program: vibraphone}}
    zones:
      q0: {{note: {FIRST_NOTE}, pressure: {{send: polyphonic pressure}}}}
      q1: {{note: {FIRST_NOTE + 1}, pressure: {{send: channel pressure}}}}
      q2: {{note: {FIRST_NOTE + 2}, pressure: {{send: control, control: brightness}}}}
      q3: {{note: {FIRST_NOTE + 3}, pressure: {{send: bend, semitones: 1}}}}
      q4: nothing
      q5: nothing
"""
# What aseqdump calls them, of the zones of that preset.
PRESSURES = (
    f"Polyphonic aftertouch +1, note {FIRST_NOTE}",
    "Channel aftertouch +1",
    "Control change +1, controller 74",
    "Pitch bend +1",
)
MARIMBA = bytes.fromhex("c1 0c")  # program 13 on channel 2


class Stage:
    """The bridge on the machine with its board, and the air."""

    def __init__(self, machine: Machine, board: HostBoard, air: Air, adapter: Adapter) -> None:
        self.machine, self.board, self.air, self.adapter = machine, board, air, adapter
        self.phone: Phone = air.phone

    def player(self, command: str, *, check: bool = True) -> str:
        return self.machine.run(as_player(command), check=check)

    def until_output(self, pattern: str) -> None:
        """Wait until the status says so of the phone's output."""
        status = as_player(f"{PROGRAM} status --json")
        try:
            self.machine.until(f"{status} | grep -E '{pattern}'", 25)
        except AssertionError:
            raise AssertionError(self.machine.run(f"{status}; tail -30 /tmp/bridge.log")) from None

    def hears(self, message: bytes, after: int = 0) -> None:
        self.phone.until(lambda: message in self.phone.reader.messages[after:], message.hex(" "))

    def joined(self) -> None:
        """The phone finds it, connects, and hears what it must know."""
        mark = len(self.phone.reader.messages)
        self.phone.connect(self.phone.find().address)
        self.phone.subscribe()
        self.hears(MARIMBA, mark)

    def played(self, zone: int) -> None:
        """Press and lift a zone; the phone hears just that."""
        heard = self.phone.reader.messages
        mark = len(heard)
        self.board.press(zone)
        self.phone.until(lambda: len(self.phone.reader.messages) > mark, "the note")
        self.board.lift(zone)
        self.phone.until(lambda: len(self.phone.reader.messages) > mark + 1, "its end")
        on, off = self.phone.reader.messages[mark:]
        assert on[:2] == bytes((0x91, FIRST_NOTE + zone))
        assert on[2] > 0
        assert off[:2] == bytes((0x81, FIRST_NOTE + zone))


def as_player(command: str) -> str:
    environment = f"XDG_RUNTIME_DIR={HOME}/run XDG_STATE_HOME={HOME}/state"
    return f'runuser -l player -c "{environment} {command}"'


@pytest.fixture(scope="module")
def stage(machine: Machine) -> Iterator[Stage]:
    machine.run("modprobe -a bluetooth hci_vhci snd-seq ftdi_sio && systemctl start bluetooth")
    machine.run(
        f"mkdir -p {HOME}/run {HOME}/state && cat > {HOME}/quay.mat.yaml <<'E'\n{MAT}E\n"
        f"cat > {HOME}/quay.yaml <<'E'\n{SHOW}E\nchown -R player {HOME}/run {HOME}/state"
    )
    with Air(machine) as air, HostBoard(machine) as board:
        adapter = Adapter(air, 0, HERE)
        adapter.plug()
        machine.until("busctl tree --list org.bluez | grep -x /org/bluez/hci0")
        machine.plug_board()
        machine.until(f"test -e {BY_ID}")
        machine.start(
            as_player(f"timeout 1500 {PROGRAM} run {HOME}/quay.yaml") + " > /tmp/bridge.log 2>&1",
            1600,
        )
        made = Stage(machine, board, air, adapter)
        made.until_output("look for")
        yield made
        made.player(f"{PROGRAM} stop", check=False)
        board.lift_all()
        adapter.pull()
    machine.pull_board()
    machine.run("systemctl stop bluetooth")


@pytest.fixture(autouse=True)
def _nobody_on_the_mat(stage: Stage) -> Iterator[None]:
    yield
    stage.board.lift_all()


def test_a_phone_finds_it_by_its_service_and_name(stage: Stage) -> None:
    found = stage.phone.find()
    assert found.address == Address(HERE, Address.PUBLIC_DEVICE_ADDRESS)
    # Generally discoverable: what scanners of the Generic Access Profile show (Core Specification,
    # volume 3, part C, 9.2.6).
    flags = found.data.get(AdvertisingData.Type.FLAGS)
    assert NAME.encode() in stage.adapter.radio.answers()
    assert flags is not None
    assert flags & AdvertisingData.Flags.LE_GENERAL_DISCOVERABLE_MODE


def test_a_phone_connects_subscribes_and_is_played_to(stage: Stage) -> None:
    phone = stage.phone
    phone.connect(phone.find().address)
    assert phone.mtu > 23
    assert phone.read() == b""
    phone.subscribe()
    stage.hears(MARIMBA)
    stage.until_output('"up": true')
    for zone in range(3):
        stage.played(zone)
    mark, packets = len(phone.reader.messages), len(phone.packets)
    stage.board.press(CHORD_ZONE)
    phone.until(lambda: len(phone.reader.messages) >= mark + len(CHORD), "the chord")
    stage.board.lift(CHORD_ZONE)
    phone.until(lambda: len(phone.reader.messages) >= mark + 2 * len(CHORD), "its end")
    kinds = [message[0] for message in phone.reader.messages[mark:]]
    assert kinds == [0x91] * len(CHORD) + [0x81] * len(CHORD)
    assert len(phone.packets) - packets < len(CHORD)
    assert max(map(len, phone.packets)) <= phone.mtu - OVERHEAD
    times = [time_ms for time_ms, _ in phone.reader.found]
    assert all((later - earlier) % 8192 < 4096 for earlier, later in itertools.pairwise(times))


def test_what_sounds_at_a_phone_that_leaves_is_ended_when_it_returns(stage: Stage) -> None:
    phone = stage.phone
    mark = len(phone.reader.messages)
    stage.board.press(1)
    phone.until(lambda: len(phone.reader.messages) > mark, "the note")
    phone.leave()
    stage.until_output("can be found again|nobody has connected")
    stage.board.lift(1)
    mark = len(phone.reader.messages)
    stage.joined()
    assert phone.reader.messages[mark][:2] == bytes((0x81, FIRST_NOTE + 1))
    stage.played(2)


def test_a_paired_phone_that_comes_back_need_not_subscribe_again(stage: Stage) -> None:
    phone = stage.phone
    assert phone.pair()
    stage.played(0)
    mark = len(phone.reader.messages)
    stage.board.press(3)
    phone.until(lambda: len(phone.reader.messages) > mark, "the note")
    phone.walk_off(stage.adapter)
    stage.until_output("can be found again|nobody has connected")
    stage.board.lift(3)
    mark = len(phone.reader.messages)
    phone.connect_again(phone.find().address)
    stage.hears(MARIMBA, mark)
    assert phone.reader.messages[mark][:2] == bytes((0x81, FIRST_NOTE + 3))
    stage.played(4)


def test_bluetooth_that_is_switched_off_and_on_is_found_again(stage: Stage) -> None:
    switch = "busctl set-property org.bluez /org/bluez/hci0 org.bluez.Adapter1 Powered b"
    stage.machine.run(f"{switch} false")
    stage.until_output("switched off")
    stage.machine.run(f"{switch} true")
    stage.until_output("look for")
    mark = len(stage.phone.reader.messages)
    stage.phone.connect_again(stage.phone.find().address)
    stage.hears(MARIMBA, mark)
    stage.played(0)


def test_an_adapter_that_is_pulled_and_plugged_in_again_is_used_again(stage: Stage) -> None:
    stage.adapter.pull()
    stage.until_output("no Bluetooth")
    stage.adapter.plug()
    stage.until_output("look for")
    stage.joined()
    stage.played(0)


def test_a_restarted_service_is_used_again(stage: Stage) -> None:
    stage.machine.run("systemctl restart bluetooth")
    stage.until_output("look for")
    stage.joined()
    stage.played(1)


def test_debians_own_receiver_plays_it_into_the_sequencer(stage: Stage) -> None:
    machine = stage.machine
    stage.phone.leave()  # an adapter that is connected does not advertise here
    beside = Adapter(stage.air, 1, BESIDE)
    beside.plug()
    machine.until("busctl tree --list org.bluez | grep -x /org/bluez/hci1")
    clients = "aconnect -i | grep ^client"
    before = set(machine.run(clients).splitlines())
    machine.run("busctl set-property org.bluez /org/bluez/hci1 org.bluez.Adapter1 Powered b true")
    # Devices are found as long as somebody looks for them.
    looking = f"(echo select {BESIDE}; sleep 1; echo scan le; sleep 30) | bluetoothctl"
    machine.start(f"timeout 40 bash -c '{looking}'")
    device = f"/org/bluez/hci1/dev_{HERE.replace(':', '_')}"
    machine.until(f"busctl tree --list org.bluez | grep -x {device}")
    machine.run(f"busctl --timeout=30 call org.bluez {device} org.bluez.Device1 Connect")
    stage.until_output(f"dev_{BESIDE.replace(':', '_')}")
    machine.until(f"test $({clients} | wc -l) -gt {len(before)}")
    (client,) = set(machine.run(clients).splitlines()) - before
    number = client.split()[1].rstrip(":")
    machine.start(f"timeout 100 stdbuf -oL aseqdump -p {number} > {HEARD}", 120)
    machine.until(f"grep Source {HEARD}")
    stage.player(f"{PROGRAM} preset flow")
    for zone in range(4):
        stage.board.press(zone)
        machine.until(f"grep -E '{PRESSURES[zone]}' {HEARD}")
        stage.board.lift(zone)
        machine.until(f"test $(grep -c 'Note off' {HEARD}) = {zone + 1}")
    stage.player(f"{PROGRAM} preset ebb")
    stage.board.press(CHORD_ZONE)
    machine.until(f"test $(grep -c 'Note on' {HEARD}) = {4 + len(CHORD)}")
    stage.board.lift(CHORD_ZONE)
    machine.until(f"test $(grep -c 'Note off' {HEARD}) = {4 + len(CHORD)}")
    heard = machine.run(f"cat {HEARD}")
    programs = re.findall(r"Program change +1, program (\d+)", heard)
    assert programs == ["11", "12"]  # vibraphone and marimba, counted from 0
    notes = re.findall(r"Note (on|off) +1, note (\d+)", heard)
    each = [(kind, str(FIRST_NOTE + zone)) for zone in range(4) for kind in ("on", "off")]
    chord = [(kind, str(note)) for kind in ("on", "off") for note in CHORD]
    assert notes == each + chord
    known = "Note on|Note off|Program change|Control change|" + "|".join(PRESSURES)
    assert all(re.match(rf"{number}:0 +({known})", line) for line in heard.splitlines()[2:])
    beside.pull()
