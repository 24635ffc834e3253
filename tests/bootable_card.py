"""A small card that a board would boot from, as far as its files go: made by ordinary tools, and broken by them.

What stands in its files is laid out as published: the header of an arm64 kernel (its booting.rst), of an ELF file (the
System V ABI), a device tree compiled by dtc, the boot files as the kernel's and the boot loaders' texts have them.
"""

from __future__ import annotations

import shutil
import struct
from dataclasses import dataclass
from pathlib import Path

from tests.card_images import MIB, run

BOOT_START, BOOT_BYTES = MIB, 20 * MIB
ROOT_START, ROOT_BYTES = 22 * MIB, 24 * MIB
CARD_BYTES = 47 * MIB
DISK_ID = "5eed0042"
ROOT_UUID = "5eed0042-0000-4000-8000-00000000000a"
RELEASE = "6.6.31-shed"
MODEL, COMPATIBLE = "Invented Seedling 2", "invented,seedling-2"
SYSTEM = {"machine": "aarch64", "model": f"{MODEL} rev 1.4", "compatible": [COMPATIBLE, "invented,soc7"]}
COMMAND_LINE = f"console=ttyS0 root=PARTUUID={DISK_ID}-02 rootfstype=ext4 rootwait"
FSTAB = f"""\
# <what> <where> <type> <options>
proc /proc proc defaults 0 0
PARTUUID={DISK_ID}-01 /boot/firmware vfat defaults 0 2
UUID={ROOT_UUID} / ext4 defaults,noatime 0 1
LABEL=readings /srv/readings ext4 nofail,noatime 0 2
//nas.lan/Back\\040ups /mnt/nas cifs credentials=/etc/nas,_netdev 0 0
/var/swap none swap sw 0 0
tmpfs /tmp tmpfs defaults 0 0
"""
TOOLS = ("sfdisk", "mkfs.vfat", "mcopy", "mdel", "mke2fs", "debugfs", "e2fsck", "fsck.vfat", "dtc")


def kernel(machine: str = "arm64") -> bytes:
    magic = {"arm64": b"ARM\x64", "riscv": b"RSC\x05"}[machine]
    return bytes(56) + magic + bytes(4) + f"Linux version {RELEASE} (keeper@bench) #1 SMP\n\0".encode() + bytes(9000)


def executable(machine: int = 183, interpreter: str = "/lib/ld-linux-aarch64.so.1") -> bytes:
    """An ELF file of 64 bits; without an interpreter if that is empty."""
    header = struct.pack("<HHIQQQIHHHHHH", 3, machine, 1, 0x400, 64, 0, 0, 64, 56, 1 if interpreter else 0, 64, 0, 0)
    text = interpreter.encode() + b"\0"
    program = struct.pack("<IIQQQQQQ", 3, 4, 120, 0, 0, len(text), len(text), 1)
    return b"\x7fELF\x02\x01\x01" + bytes(9) + header + program + text + bytes(2000)


def device_tree(folder: Path, model: str = MODEL, compatible: str = COMPATIBLE) -> bytes:
    """Compiled by dtc (device-tree-compiler 1.6)."""
    source, blob = folder / "tree.dts", folder / "tree.dtb"
    source.write_text(
        f'/dts-v1/;\n/ {{ #address-cells = <1>; model = "{model}"; compatible = "{compatible}", "invented,soc7";\n'
        '  chosen { bootargs = "x"; }; soc { compatible = "simple-bus"; }; };\n'
    )
    run("dtc", "-q", "-I", "dts", "-O", "dtb", "-o", blob, source)
    return blob.read_bytes()


@dataclass(frozen=True)
class BootableCard:
    """A card file. `folder` is for what is put onto it."""

    path: Path
    folder: Path

    def copy(self, folder: Path) -> BootableCard:
        folder.mkdir(exist_ok=True)
        shutil.copy(self.path, folder / "card.img")
        return BootableCard(folder / "card.img", folder)

    def put_boot(self, name: str, content: bytes | str) -> None:
        """A file on the boot partition, in place of one that is there."""
        run("mcopy", "-o", "-i", self._boot, self._written(content), f"::{name}")

    def remove_boot(self, name: str) -> None:
        run("mdel", "-i", self._boot, f"::{name}")

    @property
    def _boot(self) -> str:
        return f"{self.path}@@{BOOT_START}"

    def put_root(self, path: str, content: bytes | str, mode: int = 0o100644) -> None:
        folder, _, name = path.rpartition("/")
        self._debugfs(f"rm {path}", f"cd {folder or '/'}", f"write {self._written(content)} {name}",
                      f"sif {path} mode 0{mode:o}")  # fmt: skip

    def remove_root(self, *paths: str) -> None:
        self._debugfs(*(f"rm {path}" for path in paths))

    def damage_root(self) -> None:
        """An inode that is in use is said to have more links than names."""
        self._debugfs("sif /etc/fstab links_count 7")

    def orphan_root(self) -> None:
        """A file that was open and deleted: an inode without names, on the list of orphans (ext4(5), s_last_orphan)."""
        inode = int(run("debugfs", "-R", "stat /var/open", self._root).split("Inode: ")[1].split()[0])
        self._debugfs("unlink /var/open", f"sif <{inode}> links_count 0", f"ssv last_orphan {inode}")

    @property
    def _root(self) -> str:
        return f"{self.path}?offset={ROOT_START}"

    def _debugfs(self, *commands: str) -> None:
        script = self.folder / "commands"
        script.write_text("".join(f"{line}\n" for line in commands))
        run("debugfs", "-w", "-f", script, self._root)

    def _written(self, content: bytes | str) -> Path:
        path = self.folder / "content"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path


def make(folder: Path) -> BootableCard:
    folder.mkdir(parents=True, exist_ok=True)
    path, boot, root = folder / "card.img", folder / "boot", folder / "root"
    with path.open("wb") as file:
        file.truncate(CARD_BYTES)
    table = (
        f"label: dos\nlabel-id: 0x{DISK_ID}\n"
        f"start={BOOT_START // 512}, size={BOOT_BYTES // 512}, type=c, bootable\n"
        f"start={ROOT_START // 512}, size={ROOT_BYTES // 512}, type=83\n"
    )
    run("sfdisk", "-q", "--no-reread", "--no-tell-kernel", path, stdin=table)
    fill(boot, {
        "cmdline.txt": COMMAND_LINE + "\n",
        "config.txt": "# settings\n[all]\nkernel=kernel8.img\ninitramfs initramfs8 followkernel\n",
        "kernel8.img": kernel(),
        "initramfs8": b"070701" + bytes(5000),
        "seedling-2.dtb": device_tree(folder),
    })  # fmt: skip
    run("mkfs.vfat", "-n", "BOOT", "-i", "5eed0043", f"--offset={BOOT_START // 512}", path, str(BOOT_BYTES // 1024))
    run("mcopy", "-s", "-i", f"{path}@@{BOOT_START}", *sorted(boot.iterdir()), "::")
    fill(root, {
        "etc/fstab": FSTAB,
        "usr/lib/systemd/systemd": executable(),
        "usr/lib/ld-linux-aarch64.so.1": executable(interpreter=""),
        f"usr/lib/modules/{RELEASE}/kernel/drivers/wire.ko.xz": bytes(2000),
        f"usr/lib/modules/{RELEASE}/modules.dep": "",
        "var/swap": bytes(8192),
        "var/open": b"x" * 20_000,
        "boot/firmware/nothing": "hidden by what is mounted here",
    })  # fmt: skip
    for program in ("usr/lib/systemd/systemd", "usr/lib/ld-linux-aarch64.so.1"):
        (root / program).chmod(0o755)
    (root / "lib").symlink_to("usr/lib")  # as systems have it nowadays
    (root / "sbin").mkdir()
    (root / "sbin/init").symlink_to("/lib/systemd/systemd")
    run("mke2fs", "-q", "-F", "-t", "ext4", "-L", "root", "-U", ROOT_UUID, "-d", root,
        "-E", f"offset={ROOT_START},root_owner=0:0", path, f"{ROOT_BYTES // 1024}k")  # fmt: skip
    return BootableCard(path, folder)


def fill(folder: Path, files: dict[str, bytes | str]) -> None:
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
