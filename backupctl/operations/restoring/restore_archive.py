"""A capture of files as the archive that it is: plain, or in one zstd frame."""

from __future__ import annotations

from contextlib import closing
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import zstandard

from backupctl.domain.errors import Refused, UsageError
from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import SEGMENTS_AT_ONCE
from backupctl.operations.facts import Facts
from backupctl.operations.listing import captures_of, find_capture, is_archive
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.image_file import named_file
from backupctl.operations.restoring.restore import Target, left_alone, plan_file, pour, tell
from backupctl.operations.restoring.stitching import SegmentReader, Stretch, check_digest, stream_of
from backupctl.share.shelf import Shelf

_LEVEL, _WORKERS = 3, 2
_ZEROS_AT_ONCE = 1 << 20
PLAIN, PACKED = ".tar", ".tar.zst"


def restore_archive(
    shelf: Shelf, name: str | None, as_of: datetime | None, target: Path, dry_run: bool, facts: Facts,
    reporter: Reporter, stop: Stop,
) -> dict[str, Any]:  # fmt: skip
    """Writes it beside `target`, every segment checked, syncs, and names it. Raises Refused, UsageError, Damaged."""
    if not target.name.endswith((PLAIN, PACKED)):
        raise UsageError(f"{target.name} does not say what it is to be", f"NAME{PACKED}, or NAME{PLAIN} if plain.")
    captures, history = captures_of(shelf)
    record = find_capture(captures, name, as_of, is_archive)
    if not is_archive(record):
        raise Refused(f"{record.id} is a capture of a card, and no archive", "Leave out --as-archive.")
    plan = plan_file(record, history, target, facts.now())
    if dry_run:
        return {"plan": asdict(plan), "restored": False}
    is_plain = target.name.endswith(PLAIN)
    with left_alone(shelf, record, facts), named_file(target, record.stream_bytes if is_plain else 0) as file:
        if is_plain:
            pour(shelf, history, record, file, lambda _: False, reporter, stop)
        else:
            _pack(shelf, history, record, file, reporter, stop)
    tell(shelf, facts, reporter, "restored", {"capture": record.id, "target": str(target), "board": record.board})
    return {"plan": asdict(plan), "restored": True}


def _pack(
    shelf: Shelf, history: History, record: CaptureRecord, file: Target, reporter: Reporter, stop: Stop
) -> None:  # fmt: skip
    stream_bytes, index, stretches = stream_of(shelf, history, record.id, reporter.note)
    compressor = zstandard.ZstdCompressor(level=_LEVEL, write_checksum=True, threads=_WORKERS)
    frame = compressor.compressobj(size=stream_bytes)
    written = at = 0

    def put(data: bytes) -> None:
        nonlocal written
        file.write(written, data)
        written += len(data)

    def zeros(count: int) -> None:
        for start in range(0, count, _ZEROS_AT_ONCE):
            put(frame.compress(bytes(min(_ZEROS_AT_ONCE, count - start))))

    with closing(index), SegmentReader(shelf, history) as reader:
        check_digest(shelf, record, index)

        def read(stretch: Stretch) -> tuple[Stretch, bytes | None]:
            return stretch, reader.read(stretch.place, stretch.entry.hash) if stretch.place else None

        for stretch, content in in_order(stretches, read, _WORKERS, SEGMENTS_AT_ONCE):
            stop.check()
            entry = stretch.entry
            zeros(entry.offset - at + (entry.length if content is None else 0))
            if content is not None:
                put(frame.compress(content))
            at = entry.offset + entry.length
            reporter.step(Step("writing", at, stream_bytes))
    zeros(stream_bytes - at)
    put(frame.flush())
