"""Every file on a share: how large it is, and by its name, what it is for."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

from backupctl.domain.names import CAPTURE_ID, EVENT, FOLDED_EVENTS, LOCK, PART, READER
from backupctl.share.ballast import BALLAST
from backupctl.share.marks import RETIRED_MARK, SHARE_MARK, SHELF_MARK

PART_FILE, TABLES, CONTENTS, RECORDS, STANDALONE = "part", "tables", "contents", "records", "standalone"
UNFINISHED, NOT_OURS = "unfinished", "not_ours"
_ID = CAPTURE_ID.pattern
_MARKS = "|".join(re.escape(name) for name in (SHARE_MARK, SHELF_MARK, RETIRED_MARK))
_BY_NAME = {
    PART_FILE: rf"stock/{PART.pattern}\.zst",
    TABLES: rf"stock/{PART.pattern}\.table\.zst",
    CONTENTS: rf"captures/{_ID}/(?:(?:contents|members)\.\d+\.tsv|head)\.zst",
    RECORDS: rf"captures/{_ID}/record\.json",
    STANDALONE: rf"captures/{_ID}/{_ID}\.img\.zst",
    "manifest": rf"manifest/(?:{EVENT.pattern}|{FOLDED_EVENTS.pattern})",
    "ballast": re.escape(BALLAST),
    "trash": r"trash/.+",
    UNFINISHED: rf"unfinished/{_ID}\.json|captures/{_ID}/record\.new|manifest/\d{{10}}-.+\.new|(?:{_MARKS})\.new",
    "readers": rf"readers/{READER.pattern}",
    "lock": rf"busy/{LOCK.pattern}",
    "texts_and_marks": rf"{_MARKS}|HOW-TO-RESTORE\.txt|rebuild\.sh",
}
OVERHEAD_FILES = tuple(kind for kind in _BY_NAME if kind != PART_FILE)
_PATTERNS = [(kind, re.compile(pattern)) for kind, pattern in _BY_NAME.items()]


def kind_of(name: str) -> str:
    """What a file of a shelf is for, by its name on it: `PART_FILE`, one of `OVERHEAD_FILES`, or `NOT_OURS`."""
    return next((kind for kind, pattern in _PATTERNS if pattern.fullmatch(name)), NOT_OURS)


def files_under(folder: Path, problem: Callable[[str], None]) -> Iterator[tuple[str, int]]:
    """All regular files, by their names from `folder` on, and their sizes in bytes; links are not followed.

    What cannot be looked into is told to `problem`.
    """

    def cannot(error: OSError) -> None:
        problem(f"{error.filename} cannot be looked into, and is not counted: {error.strerror}")

    for path, _, names in os.walk(folder, onerror=cannot):
        within = Path(path).relative_to(folder)
        for name in names:
            try:
                found = Path(path, name).lstat()
            except FileNotFoundError:
                continue  # a run is at work
            except OSError as error:
                cannot(error)
                continue
            if stat.S_ISREG(found.st_mode):
                yield (within / name).as_posix(), found.st_size
