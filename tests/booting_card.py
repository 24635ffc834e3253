"""A card as a board has it: FAT with boot files, ext4 with a root whose fstab names the other; made without root."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.card_images import MIB, run
from tests.program import backupctl

DISK, BOOT, ROOT = "5eed0006", "6EED-0006", "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c006"


@dataclass(frozen=True)
class BootingCard:
    """`root` and `boot` are the trees that were put in; places in bytes."""

    path: Path
    root: Path
    boot: Path
    root_start: int
    root_size: int


def make_booting_card(
    folder: Path, root: Path, boot: Path, root_mib: int = 200, options: tuple[str, ...] = (), fstab: str = "",
    gpt: bool = False,
) -> BootingCard:  # fmt: skip
    """`root` gets /etc/fstab and /boot/firmware. `options`: of mke2fs. `gpt`: in place of an MBR."""
    path = folder / "card.img"
    fat, ext4 = (MIB, 24 * MIB), (26 * MIB, root_mib * MIB)
    with path.open("wb") as file:
        file.truncate(ext4[0] + ext4[1] + 2 * MIB)
    (root / "etc").mkdir(exist_ok=True)
    (root / "usr").mkdir(exist_ok=True)
    (root / "boot" / "firmware").mkdir(parents=True, exist_ok=True)
    (root / "etc" / "fstab").write_text(
        fstab
        or f"PARTUUID={DISK}-02 / ext4 defaults 0 1\nPARTUUID={DISK}-01 /boot/firmware vfat ro 0 2\n"
        "nas.lan:/music /srv/music nfs defaults 0 0\n"
    )
    about = [f"start={start // 512}, size={size // 512}" for start, size in (fat, ext4)]
    table = ["label: dos", f"label-id: 0x{DISK}", f"{about[0]}, type=c", f"{about[1]}, type=83"]
    if gpt:
        table = [
            "label: gpt", f"label-id: {DISK}-0000-4000-8000-000000000000",
            f'{about[0]}, type=uefi, uuid={DISK}-0000-4000-8000-000000000001, name="first of all"',
            f'{about[1]}, type=linux, uuid={DISK}-0000-4000-8000-000000000002, attrs="GUID:59"',
        ]  # fmt: skip
    run("sfdisk", "-q", path, stdin="\n".join(table) + "\n")
    image = folder / "boot.fat"
    with image.open("wb") as file:
        file.truncate(fat[1])
    run("mkfs.vfat", "-F", "16", "-n", "FIRMWARE", "-i", BOOT.replace("-", ""), image)
    names = sorted(boot.iterdir())
    if names:
        run("mcopy", "-s", "-m", "-i", image, *names, "::")
    _paste(image, path, fat[0])
    image = folder / "root.ext4"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-L", "rootfs", "-U", ROOT, *options, "-d", root, image, f"{root_mib}M")
    _paste(image, path, ext4[0])
    return BootingCard(path, root, boot, *ext4)


def share_of(card: BootingCard, share: Path) -> Path:
    """Makes `share`, an empty folder, one that has a capture of the card."""
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    backupctl(share, "capture", "--board", "shed", "--source", card.path)
    return share


def _paste(image: Path, card: Path, at: int) -> None:
    subprocess.run(
        ["dd", f"if={image}", f"of={card}", "bs=1M", f"seek={at // MIB}", "conv=notrunc,sparse", "status=none"],
        check=True,
    )
    image.unlink()
