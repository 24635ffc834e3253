"""Hashing what earlier runs wrote, before anything refers to it; and salvaging what unfinished ones left."""

from __future__ import annotations

from contextlib import closing, suppress
from dataclasses import dataclass, field, replace

from backupctl.domain.errors import Malformed
from backupctl.domain.segments import Place
from backupctl.domain.units import counted
from backupctl.operations.progress import Step, Stop
from backupctl.operations.session import HeldSession
from backupctl.share.captures import list_captures
from backupctl.share.contents import read_contents
from backupctl.share.parts import checked_segment, list_parts, part_name, part_sum, scan_part, stored_checksum
from backupctl.share.shelf import Shelf, load_index
from backupctl.share.tables import PartSum, Row, read_table, table_name, write_table
from backupctl.share.trash import Tray


@dataclass
class Confirmation:
    """What came of it; what is damaged is not referred to from then on, and so written anew."""

    confirmed: list[str] = field(default_factory=list)
    damaged_parts: list[str] = field(default_factory=list)
    damaged_copies: list[tuple[str, str]] = field(default_factory=list)
    salvaged_parts: list[str] = field(default_factory=list)  # with a table made anew of what is intact in them
    salvaged_segments: int = 0
    warnings: list[str] = field(default_factory=list)


def confirm_parts(session: HeldSession, stop: Stop) -> list[str]:
    """Hashes the parts that no run has hashed since the one that wrote them, and makes tables that have gone.

    Warnings in words; raises OSError.
    """
    shelf, history = session.shelf, session.history
    parts, tables = list_parts(shelf.storage)
    settled = history.damaged_parts | (history.confirmed_parts.keys() & tables)
    open_parts = [part for part in parts if part not in settled]
    sizes = {part: shelf.storage.size(part_name(part)) or 0 for part in open_parts}
    found = Confirmation()
    done = 0
    for part in open_parts:
        session.reporter.step(Step("checking what the last run wrote", done, sum(sizes.values())))
        stop.check()
        _settle(shelf, part_name(part))
        if part in tables:
            _settle(shelf, table_name(part))
            _confirm(session, part, found, stop)
        else:
            _salvage(shelf, part, found)
        done += sizes[part]
    _tell(session, found)
    return found.warnings


def _settle(shelf: Shelf, name: str) -> None:
    """Puts a file of an earlier run on stable storage. Raises OSError.

    A run that was killed may not have come to it: what can be read now would be gone after a power cut.
    """
    try:
        shelf.storage.sync_file(name)
    except OSError:
        # That may be of the earlier run, on a share that was full then: an error of writing in the background is told
        # to whoever syncs the file next, once (fsync(2)).
        shelf.storage.sync_file(name)
    # And what is there, the server tells, not the cache, which may still have what never arrived.
    shelf.storage.open(name, past_cache=True).close()


def rebuild_tables(session: HeldSession, problems: dict[str, str], stop: Stop) -> list[str]:
    """Makes the tables of parts anew that have one which cannot be read. Warnings in words; raises OSError."""
    found = Confirmation()
    for part, cause in problems.items():
        stop.check()
        found.warnings.append(f"the table of part {part} is made anew: {cause}")
        _lay_table_aside(session, part)
        _salvage(session.shelf, part, found)
    _tell(session, found)
    return found.warnings


def _tell(session: HeldSession, found: Confirmation) -> None:
    if found.confirmed or found.damaged_parts or found.damaged_copies:
        session.event("confirmed", {
            "confirmed_parts": found.confirmed, "damaged_parts": found.damaged_parts,
            "damaged_copies": [list(copy) for copy in found.damaged_copies],
            "damaged_captures": _hurt(session, found), "salvaged_segments": found.salvaged_segments,
        })  # fmt: skip
    if found.salvaged_segments:
        session.reporter.note(f"{found.salvaged_segments} segments of an unfinished run are used again")


def _hurt(session: HeldSession, found: Confirmation) -> dict[str, list[str]]:
    """Captures that lack segments by what was found, with the hashes of these; so that no thinning counts on them.

    Of parts that nobody had confirmed, only what their own runs wrote can need them.
    """
    shelf, history = session.shelf, session.history
    parts = {part for part, _ in found.damaged_copies}.union(found.damaged_parts, found.salvaged_parts)
    records = list_captures(shelf.storage, shelf.mark, history).records if parts else ()
    suspected = [record for record in records if parts.intersection(record.parts)]
    if not suspected:
        return {}
    now = replace(
        history,
        confirmed_parts=history.confirmed_parts | dict.fromkeys(found.confirmed, history.last_sequence + 1),
        damaged_parts=history.damaged_parts.union(found.damaged_parts),
        damaged_copies=history.damaged_copies.union(found.damaged_copies),
    )
    hurt = {}
    with closing(load_index(shelf, now, unconfirmed=True)[0]) as index:
        for record in suspected:
            lost: dict[bytes, None] = {}
            with suppress(Malformed):  # contents that cannot be read are told of by verification
                for entry in read_contents(shelf.storage, shelf.mark, record.id):
                    if entry.hash and index.find(entry.hash) < 0:
                        lost[entry.hash] = None
            if lost:
                hurt[record.id] = [hash.hex() for hash in lost]
                lacks = counted(len(lost), "segment")
                found.warnings.append(f"capture {record.id} lacks {lacks}, unless the card still has what was there")
    return hurt


def _lay_table_aside(session: HeldSession, part: str) -> None:
    with Tray(session.shelf.storage, session.lock) as tray:
        tray.take(table_name(part))
        tray.sync("stock")


def _confirm(session: HeldSession, part: str, found: Confirmation, stop: Stop) -> None:
    shelf = session.shelf
    try:
        said = part_sum(shelf.storage, shelf.mark, part)
    except Malformed as error:
        # The table of a run that was cut short, or one that was damaged since: the part speaks for itself.
        _lay_table_aside(session, part)
        found.warnings.append(f"the table of part {part} is made anew: {error.cause}")
        _salvage(shelf, part, found)
        return
    if checksum_of(shelf, part_name(part), said.part_bytes, stop) != said.part_checksum:
        damaged = damaged_copies(shelf, part, stop)
        found.damaged_copies += damaged
        found.warnings.append(
            f"part {part} is not what was written: {len(damaged)} of its {said.segments} segments are damaged; "
            "they are not used, and written anew when they are seen again"
        )
    found.confirmed.append(part)


def checksum_of(shelf: Shelf, name: str, length: int, stop: Stop) -> str | None:
    """XXH3-128 of the first `length` bytes of a file, past the cache; None if it is shorter. Raises OSError."""
    checksum = None
    try:
        for step in stored_checksum(shelf.storage, name, length):
            stop.check()
            checksum = step if isinstance(step, str) else None
    except Malformed:
        return None
    return checksum


def read_back(shelf: Shelf, sums: dict[str, PartSum], stop: Stop) -> list[str]:
    """Which of the parts just written the share gives back otherwise than they were written."""
    return [
        part
        for part, said in sums.items()
        if checksum_of(shelf, part_name(part), said.part_bytes, stop) != said.part_checksum
    ]


def damaged_copies(shelf: Shelf, part: str, stop: Stop) -> list[tuple[str, str]]:
    """The segments of a part, by (part, hash), that cannot be read back as they should be. Raises Malformed."""
    damaged = []
    with shelf.storage.open(part_name(part), past_cache=True) as source:
        for row in read_table(shelf.storage, shelf.mark, part):
            if isinstance(row, Row):
                stop.check()
                place = Place(part, row.offset, row.stored, row.length)
                try:
                    checked_segment(source.read_at(row.offset, row.stored), place, row.hash, shelf.mark.hashing)
                except Malformed:
                    damaged.append((part, row.hash.hex()))
    return damaged


def _salvage(shelf: Shelf, part: str, found: Confirmation) -> None:
    try:
        rows, table = scan_part(shelf.storage, shelf.mark, part)
    except Malformed as error:
        found.damaged_parts.append(part)
        if shelf.storage.size(part_name(part)):  # else its run was killed before it had written any of it
            found.warnings.append(f"nothing of part {part} could be salvaged: {error.cause}")
        return
    try:
        write_table(shelf.storage, part, table)
        shelf.storage.sync_folder("stock")
    except FileExistsError:
        return  # the run that wrote the part woke up meanwhile and finished it; the next run looks again
    found.confirmed.append(part)
    found.salvaged_parts.append(part)
    found.salvaged_segments += len(rows)
