"""What boot loaders are told: texts as their manuals have them, with invented names."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from backupctl.domain.drill import EVERY, Finding, Outcome, Verdict, is_due, verdict_of
from backupctl.formats.boot_entry import (
    BootEntry,
    parse_command_line,
    parse_environment,
    parse_firmware,
    parse_grub,
    parse_loader_entry,
    parse_menu,
)
from backupctl.formats.fstab import parse_fstab
from backupctl.operations.proving.named_volumes import NamedVolume, find_volume, needs_volume


def test_a_command_line() -> None:
    """kernel-parameters.rst: quotation marks keep spaces, what follows -- is for init; the last of two counts."""
    line = parse_command_line('ro root=/dev/sda1 dyndbg="file a.c +p" root=UUID=x quiet -- root=/dev/sdb1')
    assert (line.root, line.init, line.words["dyndbg"]) == ("UUID=x", None, "file a.c +p")
    assert parse_command_line("").root is None


def test_a_menu() -> None:
    """U-Boot, doc/README.pxe."""
    text = """\
# menu
DEFAULT second
LABEL first
  LINUX /vmlinuz-1
  APPEND root=UUID=1
label second
  kernel ../vmlinuz-2
  initrd /initrd-2
  fdtdir /dtbs/2
  fdt /dtbs/2/seedling.dtb
  append root=UUID=2 rw
"""
    found = BootEntry("../vmlinuz-2", ("/initrd-2",), "/dtbs/2/seedling.dtb", "root=UUID=2 rw")
    assert parse_menu(text) == found
    assert parse_menu(text.replace("DEFAULT second", "")).kernel == "/vmlinuz-1"
    assert parse_menu("") == BootEntry()


def test_a_loader_entry() -> None:
    """The Boot Loader Specification's own example has several options and initrd lines."""
    text = "title x\nlinux /a/linux\ninitrd /a/initrd\ninitrd /a/more\noptions root=UUID=1\noptions quiet\n"
    assert parse_loader_entry(text) == BootEntry("/a/linux", ("/a/initrd", "/a/more"), None, "root=UUID=1 quiet")


def test_grub() -> None:
    text = """\
set default="0"
menuentry 'one' {
    search --no-floppy --fs-uuid --set=root 1
    linux   /boot/vmlinuz-1 root=UUID=1 ro ${extra} quiet
    initrd  /boot/initrd.img-1
}
menuentry 'two' {
    linux /boot/vmlinuz-2 root=UUID=2
}
"""
    assert parse_grub(text) == BootEntry("/boot/vmlinuz-1", ("/boot/initrd.img-1",), None, "root=UUID=1 ro quiet")
    assert parse_grub("linux (hd0,1)/vmlinuz root=/dev/sda1").kernel == "/vmlinuz"
    assert parse_grub("linux $kernel root=UUID=1").kernel is None


def test_a_firmwares_settings() -> None:
    text = "[model9]\nkernel=other.img\n[all]\nos_prefix=new/\nkernel=kernel8.img\ninitramfs init8 followkernel\n"
    assert parse_firmware(text) == BootEntry("new/kernel8.img", ("new/init8",), None, None)


def test_a_scripts_variables() -> None:
    assert parse_environment("verbosity=1\nrootdev=UUID=1\n").command_line == "root=UUID=1"
    assert parse_environment("bootargs=root=/dev/sda1 ro\n").command_line == "root=/dev/sda1 ro"
    assert parse_environment("fdtfile=x.dtb\n") == BootEntry()


VOLUMES = [
    NamedVolume(1, "fat32", "BOOT", "5EED-0003", "5eed0001-01", ""),
    NamedVolume(2, "ext4", "root disk", "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c001", "5eed0001-02", "system"),
]


@pytest.mark.parametrize(
    ("source", "captured_from", "number"),
    [
        ("UUID=5eed-0003", "card.img", 1),
        ('UUID="8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c001"', "card.img", 2),
        ("/dev/disk/by-uuid/8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c001", "card.img", 2),
        ("/dev/disk/by-label/root\\x20disk", "card.img", 2),
        ("LABEL=root disk", "card.img", 2),
        ("LABEL=Root disk", "card.img", None),
        ("PARTUUID=5EED0001-02", "card.img", 2),
        ("PARTLABEL=system", "card.img", 2),
        ("UUID=", "card.img", None),
        ("/dev/mmcblk0p2", "/dev/mmcblk0", 2),
        ("/dev/mmcblk0p2", "/dev/sdb", None),
        ("/dev/mmcblk0p2", "/home/keeper/card.img", 2),
        ("/dev/sda1", "/dev/sda", 1),
        ("/dev/sdp1", "/dev/sdp", 1),
        ("/dev/nvme0n1p1", "/dev/nvme0n1", 1),
        ("/dev/sda3", "/dev/sda", None),
        ("/dev/mapper/vg-root", "/dev/sda", None),
    ],
)
def test_names_of_volumes(source: str, captured_from: str, number: int | None) -> None:
    """As fstab(5), udev(7) and the kernel's init/do_mounts.c have them."""
    found = find_volume(source, VOLUMES, captured_from)
    assert (found.number if found else None) == number


def test_what_of_fstab_is_on_no_disk() -> None:
    text = (
        "proc /proc proc\n//nas/x /a cifs _netdev\nnas:/x /b nfs\n/srv/x /c none bind\ntmpfs /tmp tmpfs\n"
        "sshfs#x /d fuse.sshfs\n/dev/sda1 /e ext4\nUUID=1 /f auto\n/swapfile none swap\nLABEL=x /g ext4 _netdev\n"
    )
    entries = [line.entry for line in parse_fstab(text) if line.entry]
    assert [entry.mount_point for entry in entries if needs_volume(entry)] == ["/e", "/f", "none"]


def test_when_a_drill_is_due() -> None:
    now = datetime(2026, 11, 28, 3, 17, tzinfo=UTC)
    day = timedelta(days=1)
    assert is_due(None, False, "yearly", now)
    assert not is_due(None, False, "never", now)
    for every, days in (("weekly", 7), ("monthly", 30), ("quarterly", 91), ("yearly", 365)):
        assert not is_due(now - (days - 1) * day, False, every, now)
        # A night of the same hour, which began a little earlier than that one ended.
        assert is_due(now - days * day + timedelta(minutes=40), False, every, now)
        assert is_due(now - day, True, every, now), "after one that failed, the next night makes another"
        assert is_due(now + 400 * day, False, every, now), "a clock that was wrong"
    assert set(EVERY) == {"weekly", "monthly", "quarterly", "yearly"}


def test_verdicts() -> None:
    def findings(*outcomes: tuple[Outcome, bool]) -> list[Finding]:
        return [Finding("x", outcome, "", matters) for outcome, matters in outcomes]

    well, unknown = (Outcome.WELL, True), (Outcome.NOT_CHECKED, True)
    assert verdict_of(findings(well, (Outcome.NOT_CHECKED, False), (Outcome.WARNING, True))) is Verdict.PASSED
    assert verdict_of(findings(well, unknown)) is Verdict.INCOMPLETE
    assert verdict_of(findings(well, unknown, (Outcome.WRONG, False))) is Verdict.FAILED
    assert verdict_of([]) is Verdict.INCOMPLETE, "nothing was looked at"
