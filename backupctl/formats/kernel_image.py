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
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import zstandard

from backupctl.formats import elf

_UNPACKED_MOST = 256 << 20
_ATTEMPTS = 8  # at what looks like the beginning of something compressed
_BANNER = re.compile(rb"Linux version (\d+\.\d+[^\s\0%]{0,100}) ")
_VERSION = re.compile(r"\d+\.\d+[^\s/\0]{0,100}")
_BANNER_MOST = 200  # bytes
_PIECE = 1 << 20
_SMALLEST = 1024  # bytes: no kernel is, and all of the headers below are within
_UIMAGE, _UIMAGE_HEAD = 0x27051956, 64
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
    if len(data) > _UIMAGE_HEAD and struct.unpack_from(">I", data)[0] == _UIMAGE:
        inner = _of_payload(data[_UIMAGE_HEAD:])
        named = data[32:64].split(b"\0")[0].decode(errors="replace").removeprefix("Linux-")
        version = (inner.version if inner else "") or (named if _VERSION.fullmatch(named) else "")
        machine = _UIMAGE_MACHINES.get(data[29], "") or (inner.machine if inner else "")
        return KernelImage("uImage", machine, version)
    return _of_payload(data)


def _of_payload(data: bytes) -> KernelImage | None:
    if len(data) < _SMALLEST:
        return None
    if data[0x202:0x206] == b"HdrS" and data[0x1FE:0x200] == b"\x55\xaa":
        return KernelImage("bzImage", _machine_of_pe(data) or "x86", _version_of_bzimage(data))
    plain = _machine_of_plain(data)
    if plain:
        return KernelImage(*plain, _banner([data]))
    if data[:2] == b"MZ" and data[4:8] == b"zimg":
        offset, size = struct.unpack_from("<II", data, 8)
        return KernelImage("compressed Image", _machine_of_pe(data), _banner_of_packed(data[offset : offset + size]))
    if data[0x24:0x28] in (b"\x18\x28\x6f\x01", b"\x01\x6f\x28\x18"):
        return KernelImage("zImage", "arm", _banner([data]) or _banner_of_packed(data))
    if data.startswith((_GZIP, _XZ, _ZSTD)):
        packed = _machine_of_plain(next(_unpacked(data, 0), b""))
        return packed and KernelImage("compressed Image", packed[1], _banner(_unpacked(data, 0)))
    if elf.is_elf(data) and (version := _banner([data])):
        number = struct.unpack_from("<H" if data[5] == 1 else ">H", data, 18)[0]
        return KernelImage("ELF", elf.MACHINES.get(number, ""), version)
    return None


def _machine_of_plain(head: bytes) -> tuple[str, str] | None:
    """Form and machine of one that is not compressed."""
    machine = {b"ARM\x64": "arm64", b"RSC\x05": "riscv"}.get(head[56:60])
    return ("Image", machine) if machine else None


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


def _banner(pieces: Iterable[bytes]) -> str:
    """The version that the banner has, in a stream of which no more than two pieces are in memory."""
    before = b""
    for piece in pieces:
        found = _BANNER.search(before + piece)
        if found:
            return found[1].decode(errors="replace")
        before = piece[-_BANNER_MOST:]
    return ""


def _banner_of_packed(data: bytes) -> str:
    """A kernel unpacks itself: somewhere in it is what it unpacks."""
    for magic in (_GZIP, _XZ, _ZSTD):
        at = data.find(magic)
        for _ in range(_ATTEMPTS):
            if at < 0:
                break
            if version := _banner(_unpacked(data, at)):
                return version
            at = data.find(magic, at + 1)
    return ""


def _unpacked(data: bytes, at: int) -> Iterator[bytes]:
    """What is compressed from `at` on, in pieces, if anything is; what follows its end does not matter."""
    packed = memoryview(data)[at:]
    try:
        for number, piece in enumerate(_pieces(packed)):
            if not piece or number * _PIECE > _UNPACKED_MOST:
                return
            yield piece
    except (zlib.error, lzma.LZMAError, zstandard.ZstdError, EOFError):
        return


def _pieces(packed: memoryview) -> Iterator[bytes]:
    if packed[:3] == _GZIP:
        gzip = zlib.decompressobj(wbits=31)
        yield gzip.decompress(packed, _PIECE)
        while not gzip.eof:
            yield gzip.decompress(gzip.unconsumed_tail, _PIECE)
    elif packed[:6] == _XZ:
        xz = lzma.LZMADecompressor(memlimit=128 << 20)
        yield xz.decompress(packed, _PIECE)
        while not xz.eof:
            yield xz.decompress(b"", _PIECE)
    elif packed[:4] == _ZSTD:
        with zstandard.ZstdDecompressor().stream_reader(packed) as reader:
            while True:
                yield reader.read(_PIECE)
