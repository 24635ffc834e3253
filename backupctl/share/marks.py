"""`share.json` and `shelf.json`: without them nothing is ever written to a folder."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from backupctl.domain.errors import Malformed, Refused
from backupctl.domain.names import BOARD
from backupctl.formats.strict_json import Fields
from backupctl.share.hashing import HASH_BYTES, Hashing
from backupctl.share.sealed import check_seal, seal
from backupctl.share.storage import Storage, write_whole

SHARE_MARK, SHELF_MARK = "share.json", "shelf.json"
RETIRED_MARK = "retired.json"  # what the mark of a shelf becomes while all of it is removed
FORMAT = 1
_ID = re.compile(r"[0-9a-f]{32}")
_SEED = re.compile(r"[0-9a-f]{16}")
_MOST = 64 << 10
_NO_FEATURES: dict[str, list[str]] = {"harmless": [], "readers": [], "required": []}


@dataclass(frozen=True)
class ShareMark:
    """The mark of a share. `same_machine`: its owner said that it is a folder of this machine, lost with it."""

    id: str
    made: str
    same_machine: bool


@dataclass(frozen=True)
class ShelfMark:
    """The mark of a shelf; never changed once it is there."""

    id: str
    share: str
    board: str
    same_machine: bool
    hashing: Hashing


def read_share_mark(storage: Storage) -> ShareMark | None:
    """None if there is none. Raises Malformed, and Refused for a format that this program does not know."""
    fields = _read(storage, SHARE_MARK, "share")
    if fields is None:
        return None
    return ShareMark(fields.text("id", _ID), fields.text("made"), fields.flag("same_machine"))


def read_shelf_mark(storage: Storage, name: str = SHELF_MARK) -> ShelfMark | None:
    """As `read_share_mark`, for a shelf."""
    fields = _read(storage, name, "shelf")
    if fields is None:
        return None
    name = fields.text("hash")
    if name not in HASH_BYTES or fields.text("codec") != "zstd" or fields.has("cipher"):
        raise Refused("the shelf uses a hash, codec or cipher that this program does not know", "Use a newer version.")
    return ShelfMark(
        id=fields.text("id", _ID),
        share=fields.text("share", _ID),
        board=fields.text("board", BOARD),
        same_machine=fields.flag("same_machine"),
        hashing=Hashing(name, int(fields.text("seed", _SEED), 16)),
    )


def _read(storage: Storage, name: str, what: str) -> Fields | None:
    try:
        text = storage.read(name, _MOST)
    except FileNotFoundError:
        return None
    fields = Fields.parse(name, text)
    if fields.text("backupctl") != what:
        raise Malformed(name, 0, f"the mark of a {what}", "something else")
    features = fields.object("features")
    if fields.integer("format") != FORMAT or features.texts("required") or features.texts("readers"):
        raise Refused(
            f"{name} was made by a newer version of this program",
            f"This version reads format {FORMAT} without required features. Use the newer one.",
        )
    check_seal(name, text)
    return fields


def write_share_mark(storage: Storage, mark: ShareMark, by: str) -> None:
    _write(storage, SHARE_MARK, {"backupctl": "share", "format": FORMAT, "id": mark.id, "made": mark.made, "by": by,
                                 "same_machine": mark.same_machine, "features": _NO_FEATURES})  # fmt: skip


def write_shelf_mark(storage: Storage, mark: ShelfMark, made: str, by: str) -> None:
    _write(storage, SHELF_MARK, {
        "backupctl": "shelf", "format": FORMAT, "id": mark.id, "share": mark.share, "board": mark.board,
        "made": made, "by": by, "same_machine": mark.same_machine, "hash": mark.hashing.name,
        "seed": f"{mark.hashing.seed:016x}", "codec": "zstd", "cipher": None, "features": _NO_FEATURES,
    })  # fmt: skip


def _write(storage: Storage, name: str, value: dict[str, Any]) -> None:
    """Under a name of its own first, so that a half-written mark is never taken for one."""
    beside = f"{name}.new"
    if beside in storage.names(""):
        storage.unlink(beside)
    write_whole(storage, beside, seal(value))
    storage.rename(beside, name)
    storage.sync_folder("")
