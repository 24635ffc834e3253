"""A file that is nothing but room: given up where a share is so full that not even removing would work."""

from __future__ import annotations

import secrets

from backupctl.share.storage import Storage, write_whole

BALLAST = "ballast"
_BYTES = 1 << 20
_FREE_LEAST = 64 * _BYTES  # before it is made again: others want the room too
_LEFT_FREE, _LEAST = 32 << 10, 128 << 10  # bytes, where it is made of what is left of it


def make_ballast(storage: Storage, length: int = _BYTES) -> None:
    """Random, since a NAS may compress or share blocks, and removing it must give room back. Raises OSError."""
    write_whole(storage, BALLAST, secrets.token_bytes(length))


def give_up_ballast(storage: Storage) -> bool:
    """Whether there was any. Raises OSError."""
    if storage.size(BALLAST) is None:
        return False
    storage.unlink(BALLAST)
    storage.sync_folder("")
    return True


def make_ballast_again(storage: Storage) -> None:
    """If it is gone, or is less than it was, and there is room. Raises OSError."""
    length = storage.size(BALLAST)
    if (length or 0) < _BYTES and storage.free_bytes() >= _FREE_LEAST:
        if length is not None:
            storage.unlink(BALLAST)
        make_ballast(storage)
        storage.sync_folder("")


def make_ballast_of_the_rest(storage: Storage) -> None:
    """If it was given up for something small: of what is left of its room, before others take that. Raises OSError."""
    left = min(_BYTES, storage.free_bytes() - _LEFT_FREE)
    if storage.size(BALLAST) is None and left >= _LEAST:
        make_ballast(storage, left)
        storage.sync_folder("")
