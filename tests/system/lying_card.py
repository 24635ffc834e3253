"""A card that does not keep its word, as a file through FUSE: run as a program, it serves one until it is unmounted.

`python -m tests.system.lying_card PLACE STORE SIZE wraps|drops REAL`: PLACE/card says that it has SIZE bytes. One that
wraps has REAL ones, and takes a place beyond them for one before; one that drops forgets what is written from REAL on,
and says that all is well.
"""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.system.loop_device import attached, need, tool


def serve(place: str, store: str, size: int, lie: str, real: int) -> None:
    import mfusepy  # type: ignore[import-untyped]

    held = os.open(store, os.O_RDWR | os.O_CREAT, 0o600)
    os.ftruncate(held, real if lie == "wraps" else size)

    class LyingCard(mfusepy.Operations):  # type: ignore[misc]
        use_ns = True

        def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
            if path != "/card":
                raise mfusepy.FuseOSError(errno.ENOENT)
            return {"st_mode": stat.S_IFREG | 0o600, "st_nlink": 1, "st_size": size}

        def readdir(self, path: str, fh: int) -> list[str]:
            return [".", "..", "card"]

        def read(self, path: str, length: int, offset: int, fh: int) -> bytes:
            length = min(length, size - offset)
            if lie == "drops":
                return os.pread(held, length, offset)
            return b"".join(os.pread(held, count, at) for at, count in self._turns(offset, length))

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            if lie == "drops":
                os.pwrite(held, data[: max(0, real - offset)], offset)
                return len(data)
            done = 0
            for at, count in self._turns(offset, len(data)):
                os.pwrite(held, data[done : done + count], at)
                done += count
            return len(data)

        @staticmethod
        def _turns(offset: int, length: int) -> Iterator[tuple[int, int]]:
            while length:
                at = offset % real
                count = min(length, real - at)
                yield at, count
                offset, length = offset + count, length - count

    mfusepy.FUSE(LyingCard(), place, foreground=True, direct_io=True)


@contextmanager
def lying_card(folder: Path, size: int, lie: str, real: int) -> Iterator[str]:
    """The path of a loop device over such a card."""
    need("losetup", "umount")
    if not Path("/dev/fuse").exists():
        pytest.skip("needs the kernel's FUSE")
    pytest.importorskip("mfusepy")
    place = folder / "lying"
    place.mkdir(parents=True)
    program: list[str | Path] = [
        sys.executable,
        "-m",
        "tests.system.lying_card",
        place,
        folder / "store",
        str(size),
        lie,
        str(real),
    ]
    with subprocess.Popen(program, cwd=Path(__file__).parents[2]) as serving:
        try:
            until = time.monotonic() + 30
            while not (place / "card").exists():
                assert serving.poll() is None and time.monotonic() < until, "FUSE does not come up"
                time.sleep(0.05)
            with attached(place / "card") as device:
                yield device
        finally:
            if place.is_mount():
                tool("umount", place)
            else:
                serving.kill()


if __name__ == "__main__":
    serve(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4], int(sys.argv[5]))
