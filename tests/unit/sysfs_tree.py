"""A root directory with the parts of /sys, /proc and /dev that tell of block devices.

Laid out as Documentation/ABI/stable/sysfs-block and Documentation/driver-api/mmc/mmc-dev-attrs.rst of the kernel say.
"""

from __future__ import annotations

import os
from pathlib import Path


class SysfsTree:
    def __init__(self, root: Path) -> None:
        self.root = root
        for directory in ("sys/class/block", "sys/dev/block", "dev"):
            (root / directory).mkdir(parents=True)
        self.mountinfo()
        self.write("proc/swaps", "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n")

    def write(self, path: str, text: str | bytes) -> None:
        (self.root / path).parent.mkdir(parents=True, exist_ok=True)
        (self.root / path).write_bytes(text.encode() if isinstance(text, str) else text)

    def mountinfo(self, *lines: str) -> None:
        self.write("proc/self/mountinfo", "".join(f"{line}\n" for line in lines))

    def device(self, parent: str, name: str, number: str, **files: str | bytes) -> str:
        """Adds a disk below sys/devices/`parent`, or a partition below its disk; gives the directory of it.

        In names of `files`, "__" stands for "/".
        """
        at = f"{parent}/{name}"
        defaults = {"size": "2097152\n", "ro": "0\n", "removable": "0\n", "queue__logical_block_size": "512\n"}
        if "partition" in files:
            del defaults["queue__logical_block_size"], defaults["removable"]
        for file, text in {"dev": f"{number}\n", **defaults, **files}.items():
            self.write(f"sys/devices/{at}/{file.replace('__', '/')}", text)
        for directory in ("holders", "slaves"):
            (self.root / "sys/devices" / at / directory).mkdir()
        for link in (f"sys/class/block/{name}", f"sys/dev/block/{number}"):
            self.link(link, f"sys/devices/{at}")
        return at

    def link(self, path: str, target: str) -> None:
        (self.root / path).parent.mkdir(parents=True, exist_ok=True)
        (self.root / path).symlink_to(os.path.relpath(self.root / target, (self.root / path).parent))

    def hold(self, holder: str, held: str) -> None:
        """Makes the mapping or array `holder` be made of `held` (directories below sys/devices)."""
        self.link(f"sys/devices/{holder}/slaves/{Path(held).name}", f"sys/devices/{held}")
        self.link(f"sys/devices/{held}/holders/{Path(holder).name}", f"sys/devices/{holder}")
