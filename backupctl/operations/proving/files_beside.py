"""The files beside a capture's contents that its record knows the checksums of."""

from __future__ import annotations

import errno
from collections.abc import Iterator

from backupctl.domain.record import CaptureRecord
from backupctl.operations.capturing.confirming import checksum_of
from backupctl.operations.capturing.standalone import standalone_name
from backupctl.operations.progress import Stop
from backupctl.share.card_head import head_name
from backupctl.share.members import members_name
from backupctl.share.shelf import Shelf


def faults_beside(shelf: Shelf, record: CaptureRecord, every_byte: bool, stop: Stop) -> Iterator[str]:
    """In words, what is wrong with them by their sizes, or by all of their bytes, and what that means.

    Raises OSError of a share in trouble.
    """
    beside = (
        (standalone_name(record.id), record.standalone, "the capture itself does not need this file"),
        (members_name(record.id), record.members, "the whole archive is read through where files are picked from it"),
        (head_name(record.id), record.head, "its files are not hurt, but no card can be made of it"),
    )
    for name, said, meaning in beside:
        fault = said and _fault(shelf, name, said.bytes, said.checksum, every_byte, stop)
        if fault:
            yield f"{fault}; {meaning}"


def _fault(shelf: Shelf, name: str, length: int, checksum: str, every_byte: bool, stop: Stop) -> str | None:
    size = shelf.storage.size(name)
    if size is None:
        return f"{name} is missing"
    if size != length:
        return f"{name} has {size} bytes, and {length} were written"
    try:
        if every_byte and checksum_of(shelf, name, length, stop) != checksum:
            return f"{name} holds other bytes than were written"
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        return f"{name} cannot be read: {error}"
    return None
