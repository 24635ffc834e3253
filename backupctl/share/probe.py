"""Whether a share does what is asked of it, tried with a file of random bytes."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass

from backupctl.domain.errors import Damaged
from backupctl.share.server_clock import FOLDER, server_time
from backupctl.share.storage import Storage, write_whole

BYTES = 4 << 20  # more than a burst, and on a slow link a matter of seconds
_LEFT_SECONDS = 3600.0  # after which what lies in the folder is of nobody who is still at work


@dataclass(frozen=True)
class Probed:
    """What the share did. Rates are bytes a second; `ahead`: seconds of the server's clock before this machine's."""

    written: float
    read: float
    ahead: float


def probe(storage: Storage) -> Probed:
    """Writes, syncs, reads back past the cache, renames, lists and removes. Removes what a killed probe has left.

    Raises OSError, and Damaged where what comes back is not what was written.
    """
    asked = time.time()
    now = server_time(storage)
    ahead = now - (asked + time.time()) / 2
    _remove_left(storage, now)
    data = secrets.token_bytes(BYTES)
    name, renamed = f"{FOLDER}/{secrets.token_hex(8)}", f"{FOLDER}/{secrets.token_hex(8)}"
    try:
        began = time.monotonic()
        write_whole(storage, name, data)
        written = time.monotonic()
        with storage.open(name, past_cache=True) as source:
            found = source.read_at(0, BYTES + 1)
        read = time.monotonic()
        if found != data:
            raise Damaged(
                "the share gives back other bytes than were written", "Look at the NAS: its disks, its memory, its log."
            )
        storage.rename(name, renamed)
        listed = {f"{FOLDER}/{file}" for file in storage.names(FOLDER)}
        if name in listed or renamed not in listed:
            raise Damaged("the share lists a renamed file by its old name", "Look at the NAS, and at its log.")
    finally:
        for left in (name, renamed):
            if storage.size(left) is not None:
                storage.unlink(left)
    return Probed(BYTES / max(1e-6, written - began), BYTES / max(1e-6, read - written), ahead)


def _remove_left(storage: Storage, now: float) -> None:
    for file in storage.names(FOLDER):
        name = f"{FOLDER}/{file}"
        if storage.size(name) is not None and now - storage.modified(name) >= _LEFT_SECONDS:
            storage.unlink(name)
