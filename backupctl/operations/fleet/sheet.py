"""The page for the bad day: where the copies are, which card each board needs, and every command until it runs again.

Commands are for a shell of root on any Linux, but for those of `windows`. They take `board`, `share` and `card` from
the lines that set them, so that nobody has to change a long line by hand.
"""

from __future__ import annotations

import posixpath
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from shlex import quote
from typing import Any

from backupctl.domain.errors import BackupctlError, NotFound
from backupctl.domain.events import History
from backupctl.domain.files_policy import FILES, IMAGE
from backupctl.domain.record import CaptureRecord
from backupctl.formats.mountinfo import Mount
from backupctl.operations.listing import captures_of, open_shelves
from backupctl.operations.restoring.captured_layout import card_size_of

Json = dict[str, Any]

_SOLD_GB = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1000, 2000)  # decimal, as printed on cards
_OVER = 1.03  # cards of one size differ by some percent
_SECTOR = 512
_IMAGE = '"$HOME/card.img"'
_CARD = "/dev/sdX"  # what the person puts the name of the card in place of


@dataclass(frozen=True)
class ShareAt:
    """Where the share is, for somebody who sits at another computer. `source` is empty for a folder of this machine."""

    folder: str  # as this machine has it
    fstype: str = ""
    source: str = ""
    account: str | None = None
    mount: str = ""

    @property
    def is_smb(self) -> bool:
        return bool(self.source) and not self.fstype.startswith("nfs")

    @property
    def below(self) -> str:
        """The folder within what is mounted; empty if it is all of it."""
        return posixpath.relpath(self.folder, self.mount).removeprefix(".") if self.mount else ""


def share_at(folder: Path, mount: Mount | None) -> ShareAt:
    """`mount`: what is mounted there, None for a folder of this machine. The account is that of the mount."""
    if mount is None:
        return ShareAt(str(folder))
    account = mount.super_option("username") or None
    return ShareAt(str(folder), mount.fstype, mount.source, account, mount.mount_point)


def sheet(folder: Path, board: str | None, now: datetime) -> Json:
    """Behind `sheet`. Raises NotFound if there is no board with a capture."""
    share = share_at(folder, _network_mount(folder))
    boards, problems = [], []
    alone = (folder / "shelf.json").exists()
    for shelf in open_shelves(folder, board):
        try:
            captures, history = captures_of(shelf)
            good = [
                record
                for record in captures.records
                if record.id in captures.good and record.id not in history.damaged_captures
            ]
            boards.append(_about(shelf.board, good, history))
        except (BackupctlError, OSError) as error:
            problems.append(f"{shelf.board}: {error}")
    with_card = [item["board"] for item in boards if item["newest_good"]]
    with_image = [item["board"] for item in boards if item["has_image"]]
    with_files = [item["board"] for item in boards if item["newest_files"]]
    if not with_card and not with_files:
        raise NotFound("there is no good capture yet, and so nothing to print", "Take one: backupctl capture")
    first = (with_image or with_card or with_files)[0]
    enter = _ENTER_SHELF if alone else _ENTER_BOARD
    return {
        "made": now.isoformat(timespec="seconds"),
        "share": {
            "folder": share.folder, "network": bool(share.source), "source": share.source, "account": share.account,
            "windows": _windows_name(share),
        },
        "boards": boards,
        "mount": _mounting(share),
        "choose": _choosing(share, first),
        "linux": _LINUX if with_card else [],
        "rebuild": [enter, *_REBUILD] if with_image else [],
        "files": [enter, *_FILES] if with_files else [],
        "windows": _windows(share, first) if with_image else [],
        "afterwards": ['backupctl boards continue "$board" --new-card --share "$share"'],
        "problems": problems,
    }  # fmt: skip


def _network_mount(folder: Path) -> Mount | None:
    from backupctl.board.mounts import is_network, mount_of

    mount = mount_of(folder)
    return mount if is_network(mount) else None


def _about(board: str, good: Sequence[CaptureRecord], history: History) -> Json:
    cards = [record for record in good if record.makes_a_card]
    newest = cards[-1] if cards else None
    drilled = next((record for record in reversed(cards) if record.id in history.drilled), None)
    files = next((record for record in reversed(good) if record.kind == FILES), None)
    count = card_size_of(newest) if newest else None
    return {
        "board": board,
        "newest_good": {"id": newest.id, "started": newest.started} if newest else None,
        "newest_drilled": {"id": drilled.id, "started": drilled.started} if drilled else None,
        "holds_files": bool(newest and newest.kind == FILES),  # so that only this program makes a card of it
        "has_image": any(record.kind == IMAGE for record in cards),
        "newest_files": _files(files) if files else None,
        "card_bytes": count,
        "card_sectors": -(-count // _SECTOR) if count else None,
        "card_sold_gb": sold_gb(count) if count else None,
    }


def _files(record: CaptureRecord) -> Json:
    of = "all of the board" if record.makes_a_card else str(record.source.get("path", ""))
    return {"id": record.id, "started": record.started, "of": of}


def sold_gb(count: int) -> int | None:
    """The size that is printed on cards of so many bytes, in decimal gigabytes; None above what is known here."""
    return next((gigabytes for gigabytes in _SOLD_GB if gigabytes * 1_000_000_000 * _OVER >= count), None)


def _windows_name(share: ShareAt) -> str:
    return share.source.replace("/", "\\") if share.is_smb else ""


def _mounting(share: ShareAt) -> list[str]:
    """Nothing for a folder of this machine."""
    if not share.source:
        return []
    if not share.is_smb:
        return [f"mkdir -p {quote(share.mount)}", f"mount -t nfs {quote(share.source)} {quote(share.mount)}"]
    who = f"username={share.account}" if share.account else "guest"
    return [
        f"mkdir -p {quote(share.mount)}",
        f"mount -t cifs {quote(share.source)} {quote(share.mount)} -o {quote(who)}",
    ]


def _choosing(share: ShareAt, board: str) -> list[str]:
    return [f"board={board}", f"share={quote(share.folder)}", f"card={_CARD}"]


_LINUX = ["backupctl cards", 'backupctl restore newest "$card" --board "$board" --share "$share"']
_ENTER_SHELF, _ENTER_BOARD = 'cd "$share"', 'cd "$share/boards/$board"'
_REBUILD = [
    # Names begin with the time; a folder without a record is none that was finished.
    """good=$(grep -l '"state": "good"' captures/*-image-*/record.json)""",
    'capture=$(echo "$good" | tail -n 1 | cut -d / -f 2)',
    f'sh rebuild.sh "$capture" {_IMAGE}',
    "lsblk -o NAME,SIZE,MODEL,TRAN,MOUNTPOINTS",
    f'dd if={_IMAGE} of="$card" bs=4M conv=fsync',
    f'cmp -n $(stat -c %s {_IMAGE}) {_IMAGE} "$card"',
    f"rm {_IMAGE}",
]
# tar(1): owners by number, and all that belongs to a file.
_UNPACK = "tar -x -p --numeric-owner --xattrs --xattrs-include='*' --acls"
_FILES = [
    """good=$(grep -l '"state": "good"' captures/*-files-*/record.json)""",
    'capture=$(echo "$good" | tail -n 1 | cut -d / -f 2)',
    'mkdir "$HOME/files"',
    f'sh rebuild.sh "$capture" - | {_UNPACK} -C "$HOME/files"',
]


def _windows(share: ShareAt, board: str) -> list[str]:
    """For its command line (cmd.exe); nothing where Windows cannot reach the share as it is."""
    if not share.is_smb:
        return []
    who = f" /user:{share.account} *" if share.account else ""
    below = share.below.replace("/", "\\")
    place = f'"Z:\\{below}"' if " " in below else f"Z:\\{below}"
    return [
        f'net use Z: "{_windows_name(share)}"{who}',
        f"py -m backupctl list --share {place}",
        f"py -m backupctl restore newest card.img --board {board} --share {place}",
    ]
