"""Patterns of paths: our own few rules, compiled once into one regular expression for all of them.

`/name/name` begins at the tree's root, `name` and `name/name` match at any depth. `*` is any run of bytes within a name
(a leading dot included), `**` as a whole name any number of folders. A slash at the end: folders only. Whatever
matches brings along what is in it; `folder/*` and `folder/**` are what is in a folder, and not the folder itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

_LONGEST = 1000  # bytes
_MOST_DEEP = 2  # `**` in a pattern: each lets a match begin at every folder of a path
_FOLDERS = rb"(?:[^/]+/)*"

Search = Callable[[bytes], object]  # None for no match


@dataclass(frozen=True)
class Pattern:
    """Taken apart. Paths are bytes, below the tree's root, without a slash in front; folders are asked with one behind.

    What a policy says in UTF-8 is compared byte by byte, so that names which are not UTF-8 can be matched by a star.
    """

    names: tuple[bytes, ...]
    anchored: bool
    folders_only: bool

    @property
    def within(self) -> Pattern | None:
        """Of the folder of which this is all that is in it; None where it is something else."""
        if self.names[-1] in (b"*", b"**") and len(self.names) > 1 and not self.folders_only:
            return Pattern(self.names[:-1], self.anchored, True)
        return None

    @property
    def expression(self) -> bytes:
        """Of what it names, from the root or, if it is not anchored, from any folder on."""
        return b"".join([*_joined(self.names), b"/" if self.folders_only else b""])

    @property
    def on_the_way(self) -> bytes:
        """Of the folders, each with a slash behind, that something it names may be in."""
        deep = self.names.index(b"**") if b"**" in self.names else len(self.names)
        if not self.anchored or deep == 0:
            return b""
        counts = range(1, min(deep + 1, len(self.names)))
        ways = [b"".join(_joined(self.names[:count])) + (b"/" if count == deep else rb"/\Z") for count in counts]
        return b"|".join(ways) or b"(?!)"


def parse_pattern(text: str) -> Pattern:
    """Raises ValueError, in words."""
    raw = text.encode("utf-8", "surrogateescape")
    names = tuple(raw.strip(b"/").split(b"/")) if raw.strip(b"/") else ()
    if not names or b"\0" in raw or len(raw) > _LONGEST:
        raise ValueError(f"{text[:100]!r} is no pattern of a path")
    if any(name in (b"", b".", b"..") for name in names):
        raise ValueError(f"{text[:100]!r} names a folder as '', '.' or '..': write it as it is found from the root")
    if any(b"**" in name and name != b"**" for name in names):
        raise ValueError(f"{text[:100]!r}: '**' stands for folders, and alone between slashes")
    if names.count(b"**") > _MOST_DEEP:
        raise ValueError(f"{text[:100]!r} has more than {_MOST_DEEP} times '**'")
    return Pattern(names, raw.startswith(b"/"), raw.endswith(b"/"))


def any_of(patterns: Sequence[Pattern]) -> Search:
    """Whether one of them names a path, or a folder that it is in."""
    return _search(patterns, rb"(?:(?<=/)|/|\Z)")


def exactly(patterns: Sequence[Pattern]) -> Search:
    """Whether one of them names a path itself."""
    return _search(patterns, rb"\Z")


def on_the_way(patterns: Sequence[Pattern]) -> Search:
    """Whether something that one of them names may be in a folder."""
    return _compiled([b"(?:%s)" % pattern.on_the_way for pattern in patterns])


def _search(patterns: Sequence[Pattern], end: bytes) -> Search:
    anywhere = b"|".join(pattern.expression for pattern in patterns if not pattern.anchored)
    anchored = b"|".join(pattern.expression for pattern in patterns if pattern.anchored)
    # All of one sort together, so that a path is gone through once for all of them.
    ways = [*([anchored] if anchored else []), *([_FOLDERS + b"(?:%s)" % anywhere] if anywhere else [])]
    return _compiled([b"(?:%s)%s" % (b"|".join(ways), end)] if ways else [])


def _compiled(expressions: Sequence[bytes]) -> Search:
    return re.compile(b"|".join(expressions), re.DOTALL).match if expressions else _never


def _never(path: bytes) -> None:
    return None


def _joined(names: Sequence[bytes]) -> Iterable[bytes]:
    """Expressions of names, with the slashes between them."""
    for place, name in enumerate(names):
        last = place == len(names) - 1
        if name == b"**":
            yield rb"[^/]+" if last else _FOLDERS
        else:
            yield _name(name) + (b"" if last else b"/")


def _name(name: bytes) -> bytes:
    """Of one name. What stands between two stars is taken where it is first found, and never looked for again."""
    first, *rest = name.split(b"*")
    if not rest:
        return re.escape(first)
    *between, last = rest
    return b"".join([
        b"" if first else b"(?=[^/])",
        re.escape(first),
        *(rb"(?>[^/]*?%s)" % re.escape(part) for part in between if part),
        rb"[^/]*%s(?=/|\Z)" % re.escape(last),
    ])  # fmt: skip
