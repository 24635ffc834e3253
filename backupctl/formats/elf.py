"""Which processor an executable is for.

Sources: System V ABI (gABI), chapters "ELF Header" and "Program Header"; numbers of machines from its registry, which
linux/elf-em.h repeats.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from backupctl.domain.errors import Malformed

HEAD_BYTES = 64 << 10  # in which headers and the interpreter's name stand, in all that a linker writes
_MAGIC = b"\x7fELF"
_INTERPRETER = 3  # PT_INTERP
_MOST_HEADERS = 256
_EXECUTABLE = (2, 3)  # ET_EXEC, and ET_DYN, which programs are as well nowadays

MACHINES = {3: "x86", 8: "mips", 20: "ppc", 21: "ppc64", 22: "s390", 40: "arm", 62: "x86-64", 183: "arm64",
            243: "riscv", 258: "loongarch"}  # fmt: skip


@dataclass(frozen=True)
class Executable:
    """`machine`: one of `MACHINES`, or `machine N`. `interpreter`: what loads it; empty if it needs nothing."""

    machine: str
    interpreter: str


def is_elf(head: bytes) -> bool:
    return head.startswith(_MAGIC)


def read_executable(head: bytes) -> Executable:
    """From the beginning of a file, `HEAD_BYTES` of it. Raises Malformed for what is no executable."""
    if not is_elf(head):
        raise Malformed("ELF header", 0, repr(_MAGIC), repr(head[:4]))
    if len(head) < 64 or head[4] not in (1, 2) or head[5] not in (1, 2):
        raise Malformed("ELF header", 4, "a class and a byte order", head[4:6].hex())
    wide, order = head[4] == 2, "<>"[head[5] - 1]
    kind, number = struct.unpack_from(f"{order}HH", head, 16)
    if kind not in _EXECUTABLE:
        raise Malformed("ELF header", 16, "an executable (2 or 3)", str(kind))
    table = struct.unpack_from(f"{order}{'Q' if wide else 'I'}", head, 32 if wide else 28)[0]
    entry_size, count = struct.unpack_from(f"{order}HH", head, 54 if wide else 42)
    interpreter = _interpreter(head, order, wide, table, entry_size, min(count, _MOST_HEADERS))
    return Executable(MACHINES.get(number, f"machine {number}"), interpreter)


def _interpreter(head: bytes, order: str, wide: bool, table: int, entry_size: int, count: int) -> str:
    for number in range(count):
        at = table + number * entry_size
        if at + (56 if wide else 32) > len(head):
            break
        if struct.unpack_from(f"{order}I", head, at)[0] != _INTERPRETER:
            continue
        layout, places = (f"{order}Q", (8, 32)) if wide else (f"{order}I", (4, 16))
        offset, length = (struct.unpack_from(layout, head, at + place)[0] for place in places)
        return head[offset : offset + min(length, 4096)].split(b"\0")[0].decode(errors="surrogateescape")
    return ""
