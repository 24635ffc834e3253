"""`[files]` of a policy: what of a tree comes along in a capture of files."""

from __future__ import annotations

import posixpath
from dataclasses import dataclass

from backupctl.domain.patterns import Pattern, any_of, parse_pattern

IMAGE, FILES = "image", "files"
KINDS = (IMAGE, FILES)


@dataclass(frozen=True)
class FilesPolicy:
    """`[files]`. Patterns as `domain/patterns.py` has them."""

    roots: tuple[str, ...] = ()  # whole paths of folders; none: the file systems of the card that the board runs from
    other_file_systems: bool = False  # whether what is mounted beneath a root comes along
    leave_out: tuple[str, ...] = ()  # patterns
    take: tuple[str, ...] = ()  # patterns, of what comes along although it is left out otherwise
    leave_out_usual: bool = True  # what hardly anybody wants back: `domain/left_out.py`
    leave_out_tagged_caches: bool = False  # what is in folders that a CACHEDIR.TAG calls a cache
    leave_out_secrets: bool = False  # keys and passwords, as `domain/left_out.py` lists them


def check_files(policy: FilesPolicy) -> None:
    """Raises ValueError, in words."""
    patterns = {key: [_pattern(key, text) for text in getattr(policy, key)] for key in ("leave_out", "take")}
    for root in policy.roots:
        if not root.startswith("/") or "\0" in root:
            raise ValueError(f"roots: {root!r} is not the whole path of a folder")
        if posixpath.normpath(root) != root:
            raise ValueError(f"roots: {root!r} is written {posixpath.normpath(root)!r}")
        wanted = any_of(patterns["take"])
        for pattern, text in zip(patterns["leave_out"], policy.leave_out, strict=True):
            if covers(pattern, root) and not wanted(below_root(root)):
                raise ValueError(f"{text!r} of leave_out leaves out {root!r}, which is one of roots")


def covers(pattern: Pattern, root: str) -> bool:
    """Whether it names a folder, or one that this is in."""
    return root != "/" and bool(any_of([pattern])(below_root(root)))


def below_root(folder: str) -> bytes:
    """A folder's whole path as patterns are asked for it."""
    return folder.strip("/").encode("utf-8", "surrogateescape") + b"/"


def _pattern(key: str, text: str) -> Pattern:
    try:
        return parse_pattern(text)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from None
