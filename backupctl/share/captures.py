"""Records of captures, and the commit that makes a capture exist.

The order, and what a crash after each step leaves:

1. parts and tables are written and synced: segments that no contents refer to, found by hash by the next run, which
   syncs them first (a killed run may not have), and hashes them before it refers to any;
2. `captures/<id>/contents.*` is written and synced: a folder without a record, which is no capture;
3. every part referred to is seen to be there, and the lock to be still ours; otherwise nothing more happens;
4. `record.new` is written and synced: still no capture;
5. it is renamed to `record.json`: **the capture exists**. After an error here, look: it may have happened. Its folder
   is synced; whoever takes over from a run that ended before that does it, and says that the capture counts. A capture
   that was renamed after somebody took over is not in their list, and does not count: so the lock is looked at again;
6. the manifest event is written: without it, the capture exists all the same.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from typing import Any

from backupctl.domain.errors import BackupctlError, Busy, Malformed, Refused
from backupctl.domain.events import History, counts_as_good
from backupctl.domain.names import BOARD, CAPTURE_ID, PART
from backupctl.domain.record import GOOD, PARTIAL, CaptureRecord, CardHead, Guard, MemberList, StandaloneFile, Stream
from backupctl.formats.strict_json import Fields
from backupctl.share.lock import Lock
from backupctl.share.marks import FORMAT, ShelfMark
from backupctl.share.parts import list_parts
from backupctl.share.sealed import check_seal, seal
from backupctl.share.storage import Storage, write_whole

_RECORD_MOST = 64 << 20
_KIND, _STATE, _NUMBER = re.compile("image|files"), re.compile(f"{GOOD}|{PARTIAL}"), re.compile(r"\d{1,9}")
_CHECKSUM = re.compile("[0-9a-f]{32}")


def record_name(capture: str) -> str:
    return f"captures/{capture}/record.json"


@dataclass(frozen=True)
class Captures:
    """The captures of a shelf, oldest first, and words about what looks like one and is none."""

    records: tuple[CaptureRecord, ...]
    problems: tuple[tuple[str, str], ...]  # (capture id, what is wrong)
    good: frozenset[str] = frozenset()  # ids of the records that count as good: see counts_as_good


def list_captures(storage: Storage, mark: ShelfMark, history: History) -> Captures:
    """Folders without a record are none, and no problem either: a run may be at work, or was stopped."""
    records, problems = [], []
    for name in storage.names("captures"):
        if not CAPTURE_ID.fullmatch(name) or storage.size(record_name(name)) is None:
            continue
        try:
            record = read_record(storage, mark, name)
        except (BackupctlError, OSError) as error:
            problems.append((name, str(error)))
            continue
        if history.is_superseded(name, record.lock):
            problems.append((name, "it was written by a run whose lock had been taken over, and does not count"))
            continue
        records.append(record)
    records.sort(key=lambda record: (record.sequence, record.id))
    good = frozenset(record.id for record in records if counts_as_good(record, history))
    return Captures(tuple(records), tuple(problems), good)


def read_record(storage: Storage, mark: ShelfMark, capture: str) -> CaptureRecord:
    """Raises Malformed, Refused for a record of a newer format."""
    name = record_name(capture)
    text = storage.read(name, _RECORD_MOST)
    fields = Fields.parse(name, text)
    features = fields.object("features")
    if fields.integer("format") != FORMAT or features.texts("required") or features.texts("readers"):
        raise Refused(f"{name} was made by a newer version of this program", "Use that version.")
    check_seal(name, text)
    if fields.text("id") != capture or fields.text("shelf") != mark.id:
        raise Malformed(name, 0, f"the record of {capture} on this shelf", "another one's")
    streams = tuple(
        Stream(s.integer("number", high=9), s.integer("bytes"), s.integer("lines"), s.text("digest"))
        for s in fields.objects("streams")
    )
    if [stream.number for stream in streams] != [0]:
        raise Malformed(name, 0, "one stream, number 0", f"{len(streams)} streams")
    return CaptureRecord(
        id=capture,
        board=fields.text("board", BOARD),
        kind=fields.text("kind", _KIND),
        sequence=fields.integer("sequence"),
        source=fields.raw_object("source"),
        started=fields.time("started"),
        finished=fields.time("finished"),
        zone=fields.text("zone"),
        clock_trusted=fields.flag("clock_trusted"),
        label=fields.optional_text("label"),
        state=fields.text("state", _STATE),
        streams=streams,
        in_use_bytes=fields.integer("in_use_bytes"),
        read_bytes=fields.integer("read_bytes"),
        written_bytes=fields.integer("written_bytes"),
        new_segments=fields.integer("new_segments"),
        frozen_seconds=fields.number("frozen_seconds"),
        layout=_layout(fields),
        zeroed=fields.ranges("zeroed"),
        unreadable=fields.ranges("unreadable"),
        left_out=tuple(int(number) for number in fields.texts("left_out", _NUMBER)),
        parts=fields.texts("parts", PART),
        policy=fields.raw_object("policy"),
        warnings=fields.texts("warnings"),
        lock=fields.text("lock"),
        by=fields.text("by"),
        standalone=_standalone(fields),
        guard=_guard(fields),
        members=_members(fields),
        head=_head(fields),
    )


def _standalone(fields: Fields) -> StandaloneFile | None:
    if not fields.has("standalone"):
        return None
    found = fields.object("standalone")
    return StandaloneFile(found.integer("bytes"), found.text("checksum", _CHECKSUM))


def _members(fields: Fields) -> MemberList | None:
    if not fields.has("members"):
        return None
    found = fields.object("members")
    return MemberList(found.integer("lines"), found.integer("bytes"), found.text("checksum", _CHECKSUM))


def _head(fields: Fields) -> CardHead | None:
    if not fields.has("head"):
        return None
    found = fields.object("head")
    return CardHead(found.ranges("ranges"), found.integer("bytes"), found.text("checksum", _CHECKSUM))


def _guard(fields: Fields) -> Guard | None:
    if not fields.has("guard"):
        return None
    found = fields.object("guard")
    return Guard(found.text("reason"), found.time("until") if found.has("until") else None)


def _layout(fields: Fields) -> dict[str, Any]:
    """As it stands there; what people are shown of it has been looked at."""
    for volume in fields.object("layout").objects("volumes"):
        for key in ("start", "end", "free"):
            volume.integer(key)
        volume.text("kind")
        for key in ("label", "identity"):
            volume.optional_text(key)
    return fields.raw_object("layout")


def commit(storage: Storage, mark: ShelfMark, lock: Lock, record: CaptureRecord, referred: set[str]) -> None:
    """Steps 3 to 5. `referred`: the parts that the contents need. Raises OSError, Busy, BackupctlError."""
    folder = f"captures/{record.id}"
    for name in ("stock", folder, "captures"):
        storage.sync_folder(name)
    parts, tables = list_parts(storage)
    missing = referred - (set(parts) & tables)
    if missing:
        raise BackupctlError(
            f"parts that the capture needs have gone from the shelf: {', '.join(sorted(missing)[:5])}",
            "Somebody removed files by hand, or another program did. The next capture writes them anew.",
        )
    value = asdict(record)
    value["left_out"] = [str(number) for number in record.left_out]
    head = {"backupctl": "capture", "format": FORMAT, "shelf": mark.id}
    features: dict[str, list[str]] = {"harmless": [], "readers": [], "required": []}
    write_whole(storage, f"{folder}/record.new", seal({**head, **value, "features": features}))
    lock.check()
    try:
        storage.rename(f"{folder}/record.new", record_name(record.id))
    except OSError:
        # A network file system may report an error for a rename that has happened (rename(2)).
        if storage.size(record_name(record.id)) is None:
            raise
    storage.sync_folder(folder)
    try:
        lock.check()
    except Busy as error:
        raise Busy(error.cause, "`backupctl list` says whether this capture still came in time to count.") from None
