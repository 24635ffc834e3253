"""A share with captures of folders, of which GNU tar made the archives: segments end where members do."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

import zstandard

from backupctl.domain.members import Member
from backupctl.domain.record import GOOD, CaptureRecord, Stream
from backupctl.domain.segments import Entry, State
from backupctl.formats.pax_reading import read_archive
from backupctl.share.captures import record_name
from backupctl.share.contents import DigestOfCapture, write_contents
from backupctl.share.members import write_members
from backupctl.share.parts import PartWriter, padded
from backupctl.share.sealed import seal
from backupctl.share.shelf import open_shelf
from backupctl.share.storage import write_whole
from tests.formats.ext4_images import FileReader
from tests.program import backupctl
from tests.real_tree import attributes, described
from tests.tar_archives import make_archive

_SEGMENT, _MOST = 64 << 10, 1 << 20
Altered = Callable[[list[Member]], list[Member]]


def make_share(share: Path) -> Path:
    share.mkdir(exist_ok=True)
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    return share


def put_capture(
    share: Path, archive: Path, number: int = 1, altered: Altered = lambda members: members, source: str = "/srv/music",
    honest: Path | None = None,
) -> str:  # fmt: skip
    """Puts an archive on the shelf as a capture's; its id. `altered`: the list that stands beside it.

    `honest`: what the list is made from, where the archive itself is one that cannot be read.
    """
    shelf = open_shelf(share, "shed")
    storage, mark, hashing = shelf.storage, shelf.mark, shelf.mark.hashing
    capture = f"20261001T0000{number:02}Z-files-0a1b{number:02}"
    members = [member.listed() for member in read_archive(FileReader(honest or archive))]
    raw = archive.read_bytes()
    part = secrets.token_hex(10)
    writer, seen, entries, digest = PartWriter(storage, mark, part), set[bytes](), list[Entry](), DigestOfCapture()
    compressor = zstandard.ZstdCompressor(write_checksum=True)
    for start, end in _cut(members, len(raw)):
        content = raw[start:end]
        hash, sha256 = hashing.of(content), hashlib.sha256(content).digest()
        if hash not in seen:
            writer.add(hash, sha256, len(content), padded(compressor.compress(content)))
            seen.add(hash)
        entries.append(Entry(start, len(content), State.DATA, hash))
        digest.add(entries[-1], sha256)
    writer.finish()
    storage.make_folder(f"captures/{capture}")
    lines, _ = write_contents(storage, mark, capture, len(raw), entries)
    listed = write_members(storage, mark, capture, altered(members))
    time = f"2026-10-01T00:00:{number:02}+00:00"
    record = CaptureRecord(
        id=capture, board="shed", kind="files", sequence=number, source={"path": source}, started=time, finished=time,
        zone="UTC", clock_trusted=True, label=None, state=GOOD, streams=(Stream(0, len(raw), lines, digest.hex()),),
        in_use_bytes=len(raw), read_bytes=len(raw), written_bytes=len(raw), new_segments=len(seen),
        frozen_seconds=None, layout={"volumes": []}, zeroed=(), unreadable=(), left_out=(), parts=(part,),
        policy={"name": "hub-data"}, warnings=(), lock="0" * 32, by="by hand", members=listed,
    )  # fmt: skip
    head = {"backupctl": "capture", "format": 1, "shelf": mark.id}
    features: dict[str, list[str]] = {"harmless": [], "readers": [], "required": []}
    write_whole(storage, record_name(capture), seal({**head, **asdict(record), "features": features}))
    return capture


def share_of_folder(folder: Path, work: Path) -> Path:
    """A share in `work`, an empty folder, with one capture of `folder`."""
    share = make_share(work / "share")
    put_capture(share, make_archive(folder, work / "folder.tar"))
    return share


def _cut(members: list[Member], size: int) -> Iterator[tuple[int, int]]:
    start = 0
    for member in members:
        if member.offset - start >= _SEGMENT:
            yield start, member.offset
            start = member.offset
        while member.end - start > _MOST:
            yield start, start + _MOST
            start += _MOST
    while start < size:
        yield start, min(start + _MOST, size)
        start += _MOST


def all_of(folder: Path) -> dict[str, tuple[object, ...]]:
    """What stands in a folder, and what belongs to it: names that are hard links have their count."""
    return {
        str(path.relative_to(folder)): (
            *described(path), attributes(path), described(path)[0] == "folder" or path.lstat().st_nlink
        )
        for path in (folder, *folder.rglob("*"))
    }  # fmt: skip
