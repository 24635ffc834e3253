"""glibc's own reader and writer of fstab, getmntent(3) and addmntent(3)."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path

import pytest

from backupctl.formats.fstab import Entry


class _Mntent(ctypes.Structure):
    # mntent.h
    _fields_ = (
        *((name, ctypes.c_char_p) for name in ("fsname", "dir", "type", "opts")),
        *((name, ctypes.c_int) for name in ("freq", "passno")),
    )


def _libc() -> ctypes.CDLL:
    libc = ctypes.CDLL(None)
    if not hasattr(libc, "getmntent"):
        pytest.skip("needs a C library with getmntent(3)")
    libc.setmntent.restype = ctypes.c_void_p
    libc.getmntent.restype = ctypes.POINTER(_Mntent)
    libc.getmntent.argtypes = libc.endmntent.argtypes = [ctypes.c_void_p]
    libc.addmntent.argtypes = [ctypes.c_void_p, ctypes.POINTER(_Mntent)]
    return libc


def read(path: Path) -> list[Entry]:
    libc = _libc()
    stream = libc.setmntent(os.fsencode(path), b"r")
    assert stream
    entries = []
    while found := libc.getmntent(stream):
        entry = found.contents
        source, mount_point, fstype, options = map(os.fsdecode, (entry.fsname, entry.dir, entry.type, entry.opts))
        entries.append(Entry(source, mount_point, fstype, tuple(options.split(",")), entry.freq, entry.passno))
    libc.endmntent(stream)
    return entries


def write(path: Path, entry: Entry) -> str:
    libc = _libc()
    stream = libc.setmntent(os.fsencode(path), b"w")
    assert stream
    fields = map(os.fsencode, (entry.source, entry.mount_point, entry.fstype, ",".join(entry.options)))
    assert libc.addmntent(stream, ctypes.byref(_Mntent(*fields, entry.frequency, entry.pass_number))) == 0
    libc.endmntent(stream)
    return os.fsdecode(path.read_bytes())
