"""What identifies a machine; files as their manuals describe them."""

from __future__ import annotations

import os
import platform
from pathlib import Path

import pytest

from backupctl.board import host
from backupctl.domain.errors import UsageError


@pytest.mark.parametrize(
    ("host_name", "board"),
    [
        ("greenhouse", "greenhouse"),
        ("Greenhouse-2.lan.example", "greenhouse-2"),
        ("door_sensor", "door-sensor"),
        ("-x-", "x"),
        ("a" * 80, "a" * 63),
        ("a" * 62 + "-b", "a" * 62),
    ],
)
def test_board_name(host_name: str, board: str) -> None:
    assert host.board_name(host_name) == board


@pytest.mark.parametrize("host_name", ["", "localhost", "localhost.localdomain", "___"])
def test_names_that_tell_no_board(host_name: str) -> None:
    with pytest.raises(UsageError, match="cannot be the name of a board"):
        host.board_name(host_name)


def write(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


@pytest.mark.parametrize("content", [b"", b"uninitialized\n", b"123\n", b"3D1219C7C4C5404AAA1F6D2A48ADFDA4\n"])
def test_no_machine_id(tmp_path: Path, content: bytes) -> None:
    # machine-id(5): 32 lower-case hexadecimal digits; "uninitialized" during a first boot.
    write(tmp_path / "etc/machine-id", content)
    assert host.machine_id(tmp_path) == ""


def test_the_machine_id_itself_is_not_shown(tmp_path: Path) -> None:
    write(tmp_path / "etc/machine-id", b"3d1219c7c4c5404aaa1f6d2a48adfda4\n")
    shown = host.machine_id(tmp_path)
    assert len(shown) == 32
    assert "3d1219c7" not in shown


def test_hardware_that_tells_two_boards_with_one_card_apart(tmp_path: Path) -> None:
    assert host.hardware_id(tmp_path) == ""
    for name, address, assigned in (("br0", "06:00:00:00:00:01", 3), ("eth0", "02:00:00:00:00:02", 0)):
        write(tmp_path / f"sys/class/net/{name}/address", f"{address}\n".encode())
        write(tmp_path / f"sys/class/net/{name}/addr_assign_type", f"{assigned}\n".encode())
    write(tmp_path / "sys/class/net/a-loop/address", b"00:00:00:00:00:00\n")
    write(tmp_path / "sys/class/net/a-loop/addr_assign_type", b"0\n")
    assert host.hardware_id(tmp_path) == "02:00:00:00:00:02"
    write(tmp_path / "proc/device-tree/serial-number", b"10000000c0ffee00\0")
    assert host.hardware_id(tmp_path) == "10000000c0ffee00"


def test_model_of_a_device_tree(tmp_path: Path) -> None:
    # Devicetree Specification, section 2.2.4 <string>: ends with a NUL.
    write(tmp_path / "proc/device-tree/model", b"Invented Board 4 Rev 1.2\0")
    assert host.board_model(tmp_path) == "Invented Board 4 Rev 1.2"


def test_model_of_a_computer_with_dmi(tmp_path: Path) -> None:
    write(tmp_path / "sys/class/dmi/id/sys_vendor", b"Invented Works\n")
    write(tmp_path / "sys/class/dmi/id/product_name", b"Box 1\n")
    assert host.board_model(tmp_path) == "Invented Works Box 1"


def test_what_a_record_says_of_the_board(tmp_path: Path) -> None:
    """Devicetree Specification 0.4, 2.3.1: names with a zero byte behind each, the most special one first."""
    (tmp_path / "proc/device-tree").mkdir(parents=True)
    (tmp_path / "proc/device-tree/model").write_bytes(b"Invented Seedling 2\0")
    (tmp_path / "proc/device-tree/compatible").write_bytes(b"invented,seedling-2\0invented,soc7\0")
    assert host.hardware(tmp_path) == {
        "machine": platform.machine(),
        "model": "Invented Seedling 2",
        "compatible": ["invented,seedling-2", "invented,soc7"],
    }
    assert host.hardware(tmp_path / "nothing")["compatible"] == []


def test_no_model(tmp_path: Path) -> None:
    assert host.board_model(tmp_path) == ""


@pytest.mark.parametrize(
    ("target", "zone"),
    [
        ("/usr/share/zoneinfo/Europe/Lisbon", "Europe/Lisbon"),
        ("../usr/share/zoneinfo/America/Argentina/Salta", "America/Argentina/Salta"),
        ("/usr/share/zoneinfo/posix/Asia/Tokyo", "Asia/Tokyo"),
        ("/usr/share/zoneinfo/No/Such", ""),
        ("/usr/share/zoneinfo/../../../etc/passwd", ""),
        ("/somewhere/else", ""),
    ],
)
def test_zone_of_the_link(tmp_path: Path, target: str, zone: str) -> None:
    # localtime(5): an absolute or relative link whose end is the name of the zone.
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/localtime").symlink_to(target)
    assert host.time_zone(root=tmp_path) == zone


def test_zone_of_a_copy(tmp_path: Path) -> None:
    write(tmp_path / "etc/localtime", b"TZif")
    assert host.time_zone(root=tmp_path) == ""
    write(tmp_path / "etc/timezone", b"Europe/Lisbon\n")
    assert host.time_zone(root=tmp_path) == "Europe/Lisbon"


def test_zone_without_a_file_is_utc(tmp_path: Path) -> None:
    assert host.time_zone(root=tmp_path) == "UTC"  # localtime(5)


@pytest.mark.parametrize(
    ("tz", "zone"), [("Asia/Tokyo", "Asia/Tokyo"), (":Asia/Tokyo", "Asia/Tokyo"), ("<+03>-3", "UTC"), ("/etc/x", "UTC")]
)
def test_the_variable_counts_if_it_names_a_zone(tmp_path: Path, tz: str, zone: str) -> None:
    assert host.time_zone(tz, tmp_path) == zone  # tzset(3)


def test_clock(tmp_path: Path) -> None:
    # systemd-timesyncd(8), FILES: the modification times of these two files tell.
    assert host.clock_state(tmp_path) == host.ClockState(None, None, None)
    (tmp_path / "run/systemd/timesync").mkdir(parents=True)
    assert host.clock_state(tmp_path) == host.ClockState(False, None, None)
    write(tmp_path / "var/lib/systemd/timesync/clock", b"")
    write(tmp_path / "run/systemd/timesync/synchronized", b"")
    os.utime(tmp_path / "var/lib/systemd/timesync/clock", (0, 1_700_000_000))
    os.utime(tmp_path / "run/systemd/timesync/synchronized", (0, 1_700_000_900))
    assert host.clock_state(tmp_path) == host.ClockState(True, 1_700_000_900.0, 1_700_000_000.0)
