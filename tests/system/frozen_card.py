"""Cards that tests freeze: loop devices of their own only, and every wait has an end."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.system.loop_device import attached, mounted, need, partition, tool

MIB = 1 << 20


@dataclass(frozen=True)
class NestedCard:
    """A partition with ext4, in a file of which lies another ext4 that is mounted as well."""

    image: Path
    device: str
    outer: Path
    inner: Path


def sparse(path: Path, size: int) -> Path:
    with path.open("wb") as file:
        file.truncate(size)
    return path


@contextmanager
def nested_card(tmp_path: Path) -> Iterator[NestedCard]:
    need("mkfs.ext4", "losetup")
    image = sparse(tmp_path / "card.img", 96 * MIB)
    with attached(image) as device, partition(device, 1, MIB, 90 * MIB) as first:
        tool("mkfs.ext4", "-q", first)
        with mounted(first, tmp_path / "outer") as outer:
            with attached(sparse(outer / "file", 24 * MIB)) as loop:
                tool("mkfs.ext4", "-q", loop)
                with mounted(loop, tmp_path / "inner") as inner:
                    try:
                        yield NestedCard(image, device, outer, inner)
                    finally:
                        for place in (outer, inner):
                            subprocess.run(["fsfreeze", "--unfreeze", str(place)], capture_output=True, check=False)
                        reap()
            wait_until_detached(loop)


def wait_until_detached(loop: str) -> None:
    """Somebody who looks at all loop devices at the wrong moment delays the end of one (losetup(8), --detach)."""
    deadline = time.monotonic() + 10
    while Path(f"/sys/class/block/{Path(loop).name}/loop/backing_file").exists() and time.monotonic() < deadline:
        time.sleep(0.02)


def is_frozen(place: Path) -> bool:
    """Whether somebody who writes there is kept waiting."""
    toucher = subprocess.Popen(["touch", str(place / "touched")])
    try:
        toucher.wait(0.3)
    except subprocess.TimeoutExpired:
        return True
    finally:
        # Frozen out, it dies when it is let go.
        toucher.kill()
        _leftover.append(toucher)
    return False


_leftover: list[subprocess.Popen[bytes]] = []


def reap() -> None:
    """Waits for those that `is_frozen` has started; to be called once nothing is frozen."""
    for toucher in _leftover:
        toucher.wait(10)
    _leftover.clear()


def need_file_system(name: str) -> None:
    if f"\t{name}\n" not in Path("/proc/filesystems").read_text():
        pytest.skip(f"needs the kernel's {name}")
