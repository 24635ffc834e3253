"""A file with a secret: read only if nobody but its owner, who is root or this user, can read it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from backupctl.domain.errors import Refused

_MOST_BYTES = 64 << 10


def read_secret(path: Path) -> str:
    """Its text. Raises Refused, which does not tell what is in it."""
    try:
        with open(os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK), "rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                raise Refused(f"{path} is no file")
            if stat.S_IMODE(found.st_mode) & 0o077 or found.st_uid not in (0, os.geteuid()):
                raise Refused(
                    f"{path} holds a secret, and is not its owner's alone", f"chown root {path}; chmod 600 {path}"
                )
            text = file.read(_MOST_BYTES + 1).decode()
    except OSError as error:
        raise Refused(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise Refused(f"{path} is no text in UTF-8") from None
    if len(text) > _MOST_BYTES:
        raise Refused(f"{path} is longer than {_MOST_BYTES} bytes")
    return text
