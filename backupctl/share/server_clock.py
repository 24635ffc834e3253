"""What the clock of a share's server says.

It is the time of a file that was made and closed, and never written. A file that was written will not do: a cifs client
that holds a lease sets the time itself, by its own clock, until it asks the server again (cifs_close() in
fs/smb/client/file.c of the kernel, from memory). Then a board that believes in some other year would be told so by
itself.
"""

from __future__ import annotations

import secrets

from backupctl.share.storage import Storage

FOLDER = "probe"


def server_time(storage: Storage) -> float:
    """Seconds since 1970. Raises OSError."""
    storage.make_folder(FOLDER)
    name = f"{FOLDER}/{secrets.token_hex(8)}"
    storage.create(name).close()
    try:
        return storage.modified(name)
    finally:
        storage.unlink(name)
