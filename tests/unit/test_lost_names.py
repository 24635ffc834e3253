"""Names that a capture of files could not read: told of, and nothing that was read beside them stays in memory."""

from __future__ import annotations

import errno
import gc
import weakref
from typing import Any, cast

import pytest

from backupctl.operations.capturing.files_run import _Archive


class Text(bytearray):
    """What was read before it failed."""


def failed(number: int) -> tuple[OSError, weakref.ref[Text]]:
    text = Text(1 << 20)
    kept = []  # as what is read of several names keeps the errors of those that failed
    try:
        raise OSError(number, "not to be read")
    except OSError as error:
        kept.append(error)
    return kept[0], weakref.ref(text)


@pytest.mark.parametrize(("number", "told"), [(errno.EIO, 1), (errno.EACCES, 1), (errno.ENOENT, 0)])
def test_a_lost_name_keeps_nothing_in_memory(number: int, told: int) -> None:
    archive = _Archive(*cast("tuple[Any, Any, Any]", (None, None, None)))
    gc.disable()  # what is freed, is freed without it
    try:
        error, text = failed(number)
        assert text() is not None
        archive._lose(b"etc/shadow", error)
        del error
        assert text() is None
    finally:
        gc.enable()
    assert (len(archive.lost), archive.vanished) == (told, 1 - told)
