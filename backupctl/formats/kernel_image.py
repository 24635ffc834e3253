"""What a file that a boot loader starts says of itself: its architecture, and the version whose modules it takes.

Sources, all in the kernel's tree: Documentation/arch/x86/boot.rst ("kernel_version"), arch/arm64/booting.rst and
arch/riscv/boot-image-header.rst (the headers), arch/arm/boot/compressed/head.S (zImage's magic, from memory),
drivers/firmware/efi/libstub/zboot-header.S (from memory), init/version.c (the banner "Linux version"). The header of a
legacy uImage is from memory of U-Boot's include/image.h.
"""

from __future__ import annotations

import lzma
import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import zstandard

from backupctl.formats import elf

_UNPACKED_MOST = 256 << 20
_ATTEMPTS = 8  # at what looks like the beginning of something compressed
_BANNER = re.compile(rb"Linux version (\d+\.\d+[^\s\0%]{0,100}) ")
_VERSION = re.compile(r"\d+\.\d+[^\s/\0]{0,100}")
_UIMAGE = 0x27051956
_UIMAGE_MACHINES = {2: "arm", 3: "x86", 22: "arm64", 24: "x86-64", 26: "riscv"}
_GZIP, _XZ, _ZSTD = b"\x1f\x8b\x08", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd"


@dataclass(frozen=True)
class KernelImage:
    """`machine` as in `elf.MACHINES`, `version` as `uname -r` says it; each empty where the file does not say it."""

    form: str  # "bzImage", "Image", "zImage", "uImage", "compressed Image", "ELF"
    machine: str
    version: str


def read_kernel(data: bytes) -> KernelImage | None:
    """From a whole file; None if it is no kernel of a form known here. Never raises for what it holds."""
    if len(data) > 64 and struct.unpack_from(">I", data)[0] == _UIMAGE:
        inner = read_kernel(data[64:])
        named = data[32:64].split(b"\0")[0].decode(errors="replace").removeprefix("Linux-")
        version = inner.version if inner else ""
        machine = _UIMAGE_MACHINES.get(data[29], "") or (inner.machine if inner else "")
        return KernelImage("uImage", machine, version or (named if _VERSION.fullmatch(named) else ""))
    if data[0x202:0x206] == b"HdrS" and data[0x1FE:0x200] == b"\x55\xaa":
        return KernelImage("bzImage", _machine_of_pe(data) or "x86", _version_of_bzimage(data))
    plain = _plain(data)
    if plain is not None:
        return plain
    if data[:2] == b"MZ" and data[4:8] == b"zimg":
        offset, size = struct.unpack_from("<II", data, 8)
        return KernelImage("compressed Image", _machine_of_pe(data), _banner_of_packed(data[offset : offset + size]))
    if data[0x24:0x28] in (b"\x18\x28\x6f\x01", b"\x01\x6f\x28\x18"):
        return KernelImage("zImage", "arm", _banner(data) or _banner_of_packed(data))
    if data[:3] == _GZIP or data[:6] == _XZ or data[:4] == _ZSTD:
        inner_plain = _plain(_first_unpacked(data))
        return inner_plain and KernelImage("compressed Image", inner_plain.machine, inner_plain.version)
    return None


def _plain(data: bytes) -> KernelImage | None:
    """One that is not compressed."""
    if data[56:60] == b"ARM\x64":
        return KernelImage("Image", "arm64", _banner(data))
    if data[56:60] == b"RSC\x05":
        return KernelImage("Image", "riscv", _banner(data))
    if elf.is_elf(data) and (version := _banner(data)):
        number = struct.unpack_from("<H" if data[5] == 1 else ">H", data, 18)[0]
        return KernelImage("ELF", elf.MACHINES.get(number, ""), version)
    return None


def _version_of_bzimage(data: bytes) -> str:
    at = struct.unpack_from("<H", data, 0x20E)[0] + 0x200
    found = _VERSION.match(data[at : at + 200].split(b"\0")[0].decode(errors="replace"))
    return found[0] if found and at > 0x200 else ""


def _machine_of_pe(data: bytes) -> str:
    """By the header of a PE file (Microsoft, PE Format, "Machine Types"), which kernels with an EFI stub have."""
    if data[:2] != b"MZ":
        return ""
    at = struct.unpack_from("<I", data, 0x3C)[0]
    if data[at : at + 4] != b"PE\0\0" or at + 6 > len(data):
        return ""
    number = struct.unpack_from("<H", data, at + 4)[0]
    known = {0x14C: "x86", 0x8664: "x86-64", 0x1C0: "arm", 0x1C2: "arm", 0xAA64: "arm64", 0x5064: "riscv"}
    return known.get(number, "")


def _banner(data: bytes) -> str:
    found = _BANNER.search(data)
    return found[1].decode(errors="replace") if found else ""


def _first_unpacked(data: bytes) -> bytes:
    return next(_unpacked(data, 0), b"")


def _banner_of_packed(data: bytes) -> str:
    """A kernel unpacks itself: somewhere in it is what it unpacks."""
    tried = 0
    for magic in (_GZIP, _XZ, _ZSTD):
        at = data.find(magic)
        while at >= 0 and tried < _ATTEMPTS:
            tried += 1
            for inner in _unpacked(data, at):
                if version := _banner(inner):
                    return version
            at = data.find(magic, at + 1)
    return ""


def _unpacked(data: bytes, at: int) -> Iterator[bytes]:
    """What is compressed from `at` on, if anything is; what follows its end does not matter."""
    packed = memoryview(data)[at:]
    try:
        if packed[:3] == _GZIP:
            yield zlib.decompressobj(wbits=31).decompress(packed, _UNPACKED_MOST)
        elif packed[:6] == _XZ:
            yield lzma.LZMADecompressor(memlimit=128 << 20).decompress(packed, _UNPACKED_MOST)
        elif packed[:4] == _ZSTD:
            with zstandard.ZstdDecompressor().stream_reader(packed) as reader:
                yield reader.read(_UNPACKED_MOST)
    except (zlib.error, lzma.LZMAError, zstandard.ZstdError, EOFError):
        return
