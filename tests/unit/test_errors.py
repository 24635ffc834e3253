"""What the system refuses, as it is told to a person: by name, and with what to do."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from backupctl.domain.errors import Exit, of_system


@pytest.mark.parametrize(
    ("number", "hint"),  # errno(3)
    [
        (errno.EACCES, "as root"),
        (errno.ENOSPC, "Make room"),
        (errno.EROFS, "for reading only"),
        (errno.EIO, "dmesg"),
        (errno.EHOSTDOWN, "does not answer"),
        (errno.EXDEV, ""),
    ],
)
def test_it_is_named(number: int, hint: str) -> None:
    told = of_system(OSError(number, os.strerror(number), "/mnt/nas/share.json"))
    assert told.cause == f"/mnt/nas/share.json: {os.strerror(number)}"
    assert hint in told.hint and bool(hint) == bool(told.hint)
    assert told.exit_code == Exit.FAILED
    assert of_system(OSError(number, os.strerror(number))).cause == os.strerror(number)


def test_what_python_itself_raises(tmp_path: Path) -> None:
    with pytest.raises(OSError) as raised:
        os.open(os.fsencode(tmp_path / "none"), os.O_RDONLY)
    assert of_system(raised.value).cause == f"{tmp_path / 'none'}: No such file or directory"
    assert of_system(OSError("something else")).cause == "something else"
