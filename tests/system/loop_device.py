"""Loop devices over files that a test made."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def need(*programs: str) -> None:
    """Skips the test, with the reason, unless it runs as root and has the programs."""
    if os.geteuid() != 0:
        pytest.skip("needs root")
    for program in programs:
        if not shutil.which(program):
            pytest.skip(f"needs {program}")


def tool(*args: str | Path) -> str:
    """The output of a program that must succeed."""
    done = subprocess.run(
        [str(arg) for arg in args], capture_output=True, text=True, check=False, env={**os.environ, "LC_ALL": "C"}
    )
    assert done.returncode == 0, f"{args}: {done.stderr}"
    return done.stdout


@contextmanager
def attached(image: Path, sector_size: int = 512, offset: int = 0) -> Iterator[str]:
    """A loop device over `image`, from byte `offset` on; such as /dev/loop3."""
    need("losetup")
    device = tool(
        "losetup", "--find", "--show", "--sector-size", str(sector_size), "--offset", str(offset), image
    ).strip()
    try:
        yield device
    finally:
        tool("losetup", "--detach", device)


@contextmanager
def partition(device: str, number: int, start: int, size: int) -> Iterator[str]:
    """Makes the kernel know a partition of a loop device (bytes), whatever its table says."""
    need("addpart", "delpart")
    # addpart(8) counts in sectors of 512 bytes.
    tool("addpart", device, str(number), str(start // 512), str(size // 512))
    try:
        yield f"{device}p{number}"
    finally:
        _patiently("delpart", device, str(number))


def _patiently(*args: str) -> None:
    """Somebody who looks at all disks just then keeps each busy for a moment; what is left over would stay for good."""
    deadline = time.monotonic() + 20
    while True:
        try:
            tool(*args)
        except AssertionError as error:
            if "busy" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.1)
        else:
            return


@contextmanager
def mounted(source: str, place: Path, *options: str) -> Iterator[Path]:
    """`source` mounted at `place`, which is made."""
    place.mkdir(parents=True, exist_ok=True)
    tool("mount", *options, source, place)
    try:
        yield place
    finally:
        tool("umount", place)
