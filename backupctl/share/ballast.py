"""A file that is nothing but room: given up where a share is so full that not even removing would work."""

from __future__ import annotations

import secrets

from backupctl.share.storage import Storage, write_whole

BALLAST = "ballast"
_BYTES = 1 << 20
_FREE_LEAST = 64 * _BYTES  # before it is made again: others want the room too


def make_ballast(storage: Storage) -> None:
    """Random, since a NAS may compress or share blocks, and removing it must give room back. Raises OSError."""
    write_whole(storage, BALLAST, secrets.token_bytes(_BYTES))


def give_up_ballast(storage: Storage) -> bool:
    """Whether there was any. Raises OSError."""
    if storage.size(BALLAST) is None:
        return False
    storage.unlink(BALLAST)
    storage.sync_folder("")
    return True


def make_ballast_again(storage: Storage) -> None:
    """If it is gone, and there is room. Raises OSError."""
    if storage.size(BALLAST) is None and storage.free_bytes() >= _FREE_LEAST:
        make_ballast(storage)
        storage.sync_folder("")
