"""Which secrets stand in a capture, so that they can be changed."""

from __future__ import annotations

from contextlib import closing
from dataclasses import asdict

from backupctl.domain.events import History
from backupctl.domain.record import CaptureRecord
from backupctl.domain.segments import SEGMENTS_AT_ONCE
from backupctl.formats.secret_texts import Secret, secrets_in
from backupctl.operations.ordered import in_order
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.restoring.stitching import SegmentReader, Stretch, stream_of
from backupctl.share.shelf import Shelf

_WORKERS = 2


def secrets_found(
    shelf: Shelf, record: CaptureRecord, history: History, reporter: Reporter, stop: Stop
) -> list[dict[str, str]]:
    """All that `formats/secret_texts.py` knows, `kind` and `name`, in order. Reads the whole capture.

    Raises Damaged, Malformed, OSError, Interrupted.
    """
    _, index, stretches = stream_of(shelf, history, record.id, reporter.note)
    found: set[Secret] = set()
    done = 0
    with closing(index), SegmentReader(shelf, history) as reader:

        def look(stretch: Stretch) -> tuple[int, set[Secret]]:
            content = reader.read(stretch.place, stretch.entry.hash) if stretch.place else b""
            return len(content), secrets_in(content)

        for length, secrets in in_order(stretches, look, _WORKERS, SEGMENTS_AT_ONCE):
            stop.check()
            found |= secrets
            done += length
            reporter.step(Step("looking for secrets in the newest capture", done, max(done, record.in_use_bytes)))
    return [asdict(secret) for secret in sorted(found)]
