"""Kernels, executables and device trees, laid out by hand as their texts have them; and the same with bytes changed.

The readers were also held against Debian's own kernels (6.1 for amd64, arm64 and armhf), which are too large to keep.
"""

from __future__ import annotations

import contextlib
import gzip
import lzma
import os
import random
import shutil
import struct
import sys
from pathlib import Path

import pytest
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.formats.device_tree import Hardware, read_hardware
from backupctl.formats.elf import HEAD_BYTES, read_executable
from backupctl.formats.kernel_image import KernelImage, read_kernel
from tests.bootable_card import COMPATIBLE, MODEL, RELEASE, device_tree, executable, kernel

pytestmark = pytest.mark.formats

BANNER = f"Linux version {RELEASE} (keeper@bench)\n".encode()


def bzimage() -> bytes:
    """Documentation/arch/x86/boot.rst: "HdrS" at 0x202, the version's place less 0x200 at 0x20E."""
    image = bytearray(8192)
    image[0x1FE:0x200], image[0x202:0x206] = b"\x55\xaa", b"HdrS"
    struct.pack_into("<H", image, 0x20E, 0xE00)
    text = f"{RELEASE} (keeper@bench) #1 SMP\0".encode()
    image[0x1000 : 0x1000 + len(text)] = text
    return bytes(image)


def zimage(packed: bytes) -> bytes:
    """arch/arm/boot/compressed/head.S: the magic at 0x24; the kernel proper stands somewhere behind, compressed."""
    return bytes(0x24) + b"\x18\x28\x6f\x01" + bytes(3000) + packed + bytes(500)


def uimage(inner: bytes, machine: int) -> bytes:
    """U-Boot's include/image.h: magic, 25 bytes, architecture, type, compression, name."""
    return (
        struct.pack(">I", 0x27051956)
        + bytes(25)
        + bytes([machine, 2, 0])
        + b"Linux-5.15.9-other".ljust(32, b"\0")
        + inner
    )


SMALL = gzip.compress(kernel() + random.Random(1).randbytes(5000))
LARGE = bytes(3 << 20) + BANNER + bytes(1 << 20)
IMAGES = {
    "Image": (kernel(), KernelImage("Image", "arm64", RELEASE)),
    "riscv": (kernel("riscv"), KernelImage("Image", "riscv", RELEASE)),
    "bzImage": (bzimage(), KernelImage("bzImage", "x86", RELEASE)),
    "gzip": (SMALL, KernelImage("compressed Image", "arm64", RELEASE)),
    "zImage, gzip": (zimage(gzip.compress(LARGE)), KernelImage("zImage", "arm", RELEASE)),
    "zImage, xz": (zimage(lzma.compress(LARGE)), KernelImage("zImage", "arm", RELEASE)),
    "zImage, zstd": (zimage(zstandard.compress(LARGE)), KernelImage("zImage", "arm", RELEASE)),
    "zImage, unknown": (zimage(b"lz4 or so"), KernelImage("zImage", "arm", "")),
    "uImage": (uimage(zimage(gzip.compress(LARGE)), 2), KernelImage("uImage", "arm", RELEASE)),
    "uImage, unknown": (uimage(bytes(2000), 22), KernelImage("uImage", "arm64", "5.15.9-other")),
}  # fmt: skip


@pytest.mark.parametrize("form", IMAGES)
def test_kernels(form: str) -> None:
    data, expected = IMAGES[form]
    assert read_kernel(data) == expected


def test_what_is_no_kernel() -> None:
    for data in (b"", b"MZ\0\0zimg", bytes(5000), executable(), gzip.compress(bytes(9000)), b"#!/bin/sh\n" * 500):
        assert read_kernel(data) is None


def test_this_machines_own_python() -> None:
    """Whose machine uname(2) tells."""
    head = Path(sys.executable).resolve().read_bytes()[:HEAD_BYTES]
    machine = {"x86_64": "x86-64", "aarch64": "arm64", "armv7l": "arm", "riscv64": "riscv"}[os.uname().machine]
    found = read_executable(head)
    assert found.machine == machine
    assert Path(found.interpreter).exists()


def test_a_device_tree(tmp_path: Path) -> None:
    if shutil.which("dtc") is None:
        pytest.skip("dtc is not installed")
    blob = device_tree(tmp_path)
    assert read_hardware(blob) == Hardware(MODEL, (COMPATIBLE, "invented,soc7"))
    for cut in range(0, len(blob), 7):
        with pytest.raises(Malformed):
            read_hardware(blob[:cut])


def test_bytes_that_were_changed_make_nothing_worse_than_malformed(tmp_path: Path) -> None:
    chance = random.Random(7)
    samples = [data for data, _ in IMAGES.values() if len(data) < 20_000] + [executable(), executable(interpreter="")]
    if shutil.which("dtc"):
        samples.append(device_tree(tmp_path))
    for _ in range(1500):
        data = bytearray(chance.choice(samples))
        for _ in range(chance.randrange(1, 6)):
            data[chance.randrange(min(len(data), chance.choice((80, 600, 20_000))))] = chance.choice((0, 1, 0x7F, 0xFF))
        changed = bytes(data[: chance.choice((len(data), chance.randrange(len(data))))])
        read_kernel(changed)
        for reader in (read_executable, read_hardware):
            with contextlib.suppress(Malformed):
                reader(changed)
