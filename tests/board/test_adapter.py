"""What Linux tells of a serial device, from folders laid out as kernel and udev lay them out."""

import os
import pty
from pathlib import Path

import pytest

from matbridge.board import adapter


def test_the_latency_timer_is_read_where_the_kernel_has_it(tmp_path: Path) -> None:
    """drivers/usb/serial/ftdi_sio.c: an attribute of the usb-serial device, in milliseconds."""
    folder = tmp_path / "sys/bus/usb-serial/devices/ttyUSB0"
    folder.mkdir(parents=True)
    (folder / "latency_timer").write_text("16\n")
    assert adapter.latency_timer("/dev/ttyUSB0", tmp_path) == (folder / "latency_timer", 16)
    assert adapter.latency_timer("/dev/ttyACM0", tmp_path) is None
    (folder / "latency_timer").write_text("what\n")
    assert adapter.latency_timer("/dev/ttyUSB0", tmp_path) is None


def test_the_driver_is_where_its_link_leads(tmp_path: Path) -> None:
    device = tmp_path / "sys/class/tty/ttyACM0/device"
    device.mkdir(parents=True)
    (device / "driver").symlink_to("../../../bus/usb/drivers/cdc_acm")
    assert adapter.driver("/dev/ttyACM0", tmp_path) == "cdc_acm"
    assert adapter.driver("/dev/ttyS0", tmp_path) == ""


def test_a_udev_rule_that_keeps_modem_probing_off_is_seen(tmp_path: Path) -> None:
    status = os.stat("/dev/null")  # noqa: PTH116
    known = tmp_path / f"run/udev/data/c{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    known.parent.mkdir(parents=True)
    known.write_text("S:serial/by-id/x\nE:ID_BUS=usb\n")
    assert not adapter.modem_probing_off("/dev/null", tmp_path)
    known.write_text("E:ID_BUS=usb\nE:ID_MM_DEVICE_IGNORE=1\n")
    assert adapter.modem_probing_off("/dev/null", tmp_path)
    assert not adapter.modem_probing_off("/dev/nothing-here", tmp_path)


def test_claimants_are_known_by_the_names_of_their_processes(tmp_path: Path) -> None:
    for number, name in ((12, "bash"), (345, "ModemManager"), (6, "brltty")):
        folder = tmp_path / f"proc/{number}"
        folder.mkdir(parents=True)
        (folder / "comm").write_text(f"{name}\n")
    (tmp_path / "proc/self").mkdir()
    assert adapter.claimants(tmp_path) == ("ModemManager", "brltty")
    assert adapter.claimants(tmp_path / "nowhere") == ()
    assert adapter.running(("pipewire", "bash"), tmp_path) == ("bash",)


def test_another_program_that_has_the_device_open_is_named(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    device = os.ttyname(slave)
    try:
        ours, theirs = tmp_path / f"proc/{os.getpid()}/fd", tmp_path / "proc/77/fd"
        for folder, name in ((ours, "matbridge"), (theirs, "screen")):
            folder.mkdir(parents=True)
            (folder / "3").symlink_to(device)
            (folder.parent / "comm").write_text(f"{name}\n")
        assert adapter.holders(device, tmp_path) == ("screen (77)",)
        # And for real: nobody but this test has a pty that it has just made.
        assert adapter.holders(device) == ()
    finally:
        os.close(master)
        os.close(slave)


def test_access_names_the_group(tmp_path: Path) -> None:
    file = tmp_path / "device"
    file.touch(mode=0o660)
    access = adapter.access(str(file))
    assert access.group == file.group()
    assert access.allowed
    with pytest.raises(FileNotFoundError):
        adapter.access(str(tmp_path / "nothing"))


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_user_outside_the_group_may_not_use_it(tmp_path: Path) -> None:
    file = tmp_path / "device"
    file.touch(mode=0o660)
    tmp_path.chmod(0o755)
    for parent in tmp_path.parents[:2]:
        parent.chmod(0o755)
    child = os.fork()
    if not child:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)
        os._exit(int(adapter.access(str(file)).allowed))
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
