"""A folder in place of /, with what `share` commands look at and write: /etc, the mount table, mount(8)'s helpers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

FSTAB = "# by hand\nproc  /proc\tproc defaults 0 0\n"
ROOT_MOUNT = "27 1 179:2 / / rw,noatime - ext4 /dev/mmcblk0p2 rw\n"


@dataclass(frozen=True)
class MadeUpSystem:
    """Mount points are the machine's own: in `mounts`, a folder beside it."""

    root: Path
    mounts: Path

    @property
    def fstab(self) -> Path:
        return self.root / "etc/fstab"

    @property
    def units(self) -> Path:
        return self.root / "etc/systemd/system"

    @property
    def mountinfo(self) -> Path:
        return self.root / "proc/self/mountinfo"

    def everything(self) -> dict[str, bytes]:
        """What is in it, by name; with it, mode and owner."""
        return {
            f"{path.relative_to(self.root)} {path.lstat().st_mode:o} {path.lstat().st_uid}": path.read_bytes()
            for path in sorted(self.root.rglob("*"))
            if path.is_file()
        }

    def mount(self, source: str, mount_point: Path | str, fstype: str = "cifs", options: str = "rw") -> None:
        """One more line of the mount table."""
        ident = 100 + len(self.mountinfo.read_text().splitlines())
        escaped = str(mount_point).replace(" ", r"\040")
        line = (
            f"{ident} 27 0:{ident} / {escaped} {options} - {fstype} {source.replace(' ', chr(92) + '040')} {options}\n"
        )
        self.mountinfo.write_text(self.mountinfo.read_text() + line)


def make(folder: Path) -> MadeUpSystem:
    system = MadeUpSystem(folder / "root", folder / "mounts")
    for name in ("root/etc/systemd/system", "root/proc/self", "root/sbin", "mounts"):
        (folder / name).mkdir(parents=True)
    system.fstab.write_text(FSTAB)
    system.mountinfo.write_text(ROOT_MOUNT)
    for helper in ("mount.cifs", "mount.nfs"):
        (system.root / "sbin" / helper).touch(0o755)
    system.fstab.chmod(0o640)
    return system
