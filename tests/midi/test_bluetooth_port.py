"""Playing to a phone over Bluetooth LE, as far as there is no radio: a real D-Bus, a stand-in for
BlueZ, and a reader of packets that is held to published ones.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from dbus_fast import MessageType, Variant

from matbridge.midi import messages as m
from matbridge.midi.ble_packet import CHARACTERISTIC, OVERHEAD, SERVICE
from matbridge.midi.bluetooth_peripheral import BACK_S
from matbridge.midi.output import Output
from matbridge.midi.outputs import make_output
from matbridge.midi.thinning import thinned
from tests.midi.conftest import Turning
from tests.support.bluez import ADAPTER, MTU, PHONE, Bluez


@pytest.fixture
def bluez(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bluez]:
    with Bluez() as bluez:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bluez.address)
        yield bluez


@pytest.fixture
def output(turning: Turning, bluez: Bluez) -> Iterator[Output]:
    """Advertised; nobody listens yet."""
    bluez.start()
    output = make_output("phone", "bluetooth", "stepping stones")
    output.open(turning.loop)
    turning.until(lambda: "RegisterAdvertisement" in bluez.registered, "the advertisement")
    yield output
    output.close()


def why(output: Output) -> str:
    return str(output.status().get("why"))


def test_it_offers_what_the_specification_says_and_is_found_by_its_name(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    turning.until(lambda: "look for 'stepping stones'" in why(output), "the hint")
    facts = bluez.ask(
        bluez.registered["RegisterAdvertisement"],
        "org.freedesktop.DBus.Properties",
        "GetAll",
        "s",
        "org.bluez.LEAdvertisement1",
    ).body[0]
    assert facts["LocalName"].value == "stepping stones"
    assert facts["ServiceUUIDs"].value == [SERVICE]
    assert facts["Discoverable"].value is True
    objects = bluez.ask(
        bluez.registered["RegisterApplication"],
        "org.freedesktop.DBus.ObjectManager",
        "GetManagedObjects",
        "",
    ).body[0]
    ((path, characteristic),) = (
        (path, interfaces["org.bluez.GattCharacteristic1"])
        for path, interfaces in objects.items()
        if "org.bluez.GattCharacteristic1" in interfaces
    )
    assert characteristic["UUID"].value == CHARACTERISTIC
    assert set(characteristic["Flags"].value) >= {"read", "write-without-response", "notify"}
    assert (
        objects[characteristic["Service"].value]["org.bluez.GattService1"]["UUID"].value == SERVICE
    )
    interface = "org.bluez.GattCharacteristic1"
    assert bluez.ask(path, interface, "ReadValue", "a{sv}", {}).body == [b""]
    options: dict[str, Variant] = {}
    written = bluez.ask(path, interface, "WriteValue", "aya{sv}", b"\x80\x80\x90\x3c\x40", options)
    assert written.message_type is MessageType.METHOD_RETURN


def test_a_phone_that_listens_hears_every_message_in_packets_that_fit(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    events: list[str] = []
    output.on_up = lambda: events.append("up")
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    assert events == ["up"]
    sent = [m.note_on(1, n, 1 + n) for n in range(100)] + [m.note_off(1, n) for n in range(100)]
    output.send(sent)
    turning.until(lambda: sent[-1] in bluez.reader.messages, "the last message")
    assert bluez.reader.messages == sent
    assert max(map(len, bluez.packets)) <= MTU - OVERHEAD
    assert len(bluez.packets) < len(sent) / 5


def test_a_phone_that_leaves_is_found_again(turning: Turning, bluez: Bluez, output: Output) -> None:
    events: list[str] = []
    output.on_up = lambda: events.append("up")
    output.on_down = events.append
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    bluez.leave()
    turning.until(lambda: not output.up, "its leaving")
    assert "can be found again" in events[1]
    output.send([m.note_on(1, 60, 1)])
    bluez.listen()
    turning.until(lambda: output.up, "its return")
    output.send([m.note_off(1, 60)])
    turning.until(lambda: bluez.reader.messages, "a message")
    assert bluez.reader.messages == [m.note_off(1, 60)]
    assert events[2:] == ["up"]


def test_a_paired_phone_is_gone_though_its_socket_stays_and_back_when_it_connects(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    events: list[str] = []
    output.on_up = lambda: events.append("up")
    output.on_down = events.append
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    bluez.say_changed(PHONE, "org.bluez.Device1", ServicesResolved=False, Connected=False)
    turning.until(lambda: not output.up, "its leaving")
    bluez.say_changed(ADAPTER, "org.bluez.Adapter1", Discovering=True)
    bluez.say_changed(PHONE, "org.bluez.Device1", Connected=True)
    bluez.say_changed("/org/bluez/hci1/dev_F2", "org.bluez.Device1", ServicesResolved=True)
    bluez.say_changed(PHONE, "org.bluez.Device1", ServicesResolved=True)
    turning.turn(BACK_S / 2)
    bluez.say_changed(PHONE, "org.bluez.Device1", ServicesResolved=False, Connected=False)
    turning.turn(BACK_S)
    assert not output.up  # nobody is there; hci1 is none of ours
    bluez.say_changed(PHONE, "org.bluez.Device1", ServicesResolved=True)
    turning.turn(BACK_S / 2)
    assert not output.up  # it may not listen yet
    turning.until(lambda: output.up, "its return")
    output.send([m.note_off(1, 60)])
    turning.until(lambda: bluez.reader.messages, "a message")
    assert bluez.reader.messages == [m.note_off(1, 60)]
    assert "can be found again" in events[1]
    assert events[2:] == ["up"]


def test_another_device_that_leaves_takes_nobody_with_it(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    events: list[str] = []
    output.on_down = events.append
    bluez.say_changed(f"{ADAPTER}/dev_F3", "org.bluez.Device1", ServicesResolved=True)
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    bluez.say_changed(f"{ADAPTER}/dev_F3", "org.bluez.Device1", Connected=False)
    output.send([m.note_off(1, 60)])
    turning.until(lambda: bluez.reader.messages, "a message")
    turning.turn(0.1)
    assert output.up
    assert events == []


def test_it_says_that_bluetooth_was_switched_off_and_where_to_look_once_it_is_on(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    bluez.say_changed(ADAPTER, "org.bluez.Adapter1", Powered=False)
    turning.until(lambda: "switched off" in why(output), "the reason")
    bluez.registered.pop("RegisterAdvertisement")
    bluez.say_changed(ADAPTER, "org.bluez.Adapter1", Powered=True)
    turning.until(lambda: "look for 'stepping stones'" in why(output), "the hint")
    turning.until(lambda: "RegisterAdvertisement" in bluez.registered, "the advertisement")


def test_an_adapter_that_goes_is_looked_for_and_offered_to_again(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    bluez.pull_adapter()
    turning.until(lambda: not output.up, "the loss")
    turning.until(lambda: "there is no Bluetooth adapter" in why(output), "the reason")
    bluez.plug_adapter()
    turning.until(lambda: "RegisterAdvertisement" in bluez.registered, "the advertisement")
    bluez.listen()
    turning.until(lambda: output.up, "the phone")


def test_looking_for_the_service_leaves_no_connections_behind(
    turning: Turning, bluez: Bluez
) -> None:
    output = make_output("phone", "bluetooth", "stepping stones")
    output.open(turning.loop)
    turning.until(lambda: "is bluetoothd running?" in why(output), "the reason")
    turning.turn(3.0)  # it looks twice a second
    assert bluez.connections() <= 2  # that of who counts, and one of who looks
    output.close()


def test_a_radio_that_is_full_gets_every_note_and_the_latest_of_what_moves(
    turning: Turning, bluez: Bluez, output: Output
) -> None:
    bluez.listen()
    turning.until(lambda: output.up, "the phone")
    bluez.hold()
    notes = []
    for n in range(3000):
        note = m.note_on(1, n % 128, 1 + n % 127)
        notes.append(note)
        output.send([note, *(m.poly_pressure(1, key, n % 128) for key in range(8))])
        if n % 100 == 0:
            turning.turn(0.001)
    bluez.let_go()
    last = m.poly_pressure(1, 7, 2999 % 128)
    turning.until(lambda: bluez.reader.messages[-1:] == [last], "the last message")
    heard = bluez.reader.messages
    assert [message for message in heard if message[0] == 0x90] == notes
    assert len(heard) < 9 * 3000


def test_a_service_that_comes_later_and_goes_is_found_again(turning: Turning, bluez: Bluez) -> None:
    output = make_output("phone", "bluetooth", "stepping stones")
    output.open(turning.loop)
    turning.until(lambda: "is bluetoothd running?" in why(output), "the reason")
    for _ in range(2):
        bluez.start()
        turning.until(lambda: "RegisterAdvertisement" in bluez.registered, "the advertisement")
        bluez.listen()
        turning.until(lambda: output.up, "the phone")
        bluez.stop()
        turning.until(lambda: not output.up, "the loss")
        bluez.leave()
    output.close()


def test_without_a_bus_it_says_so(turning: Turning, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
    output = make_output("phone", "bluetooth", "stepping stones")
    output.open(turning.loop)
    turning.until(lambda: "there is no system bus" in why(output), "the reason")
    output.close()


def test_of_what_moves_the_last_is_kept_in_its_place() -> None:
    note, pedal = m.note_on(1, 60, 1), m.control_change(1, 64, 0)
    bends = [m.pitch_bend(1, value) for value in (1, 2, 3)]
    assert thinned([bends[0], note, bends[1], pedal, bends[2], pedal]) == [
        note,
        pedal,
        bends[2],
        pedal,
    ]
