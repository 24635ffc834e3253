"""What a shelf's texts say is what was written, and nothing else is ever taken for it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.domain.events import Event, History, fold
from backupctl.domain.segments import Entry, State
from backupctl.formats.strict_json import Fields, dump
from backupctl.share.contents import contents_name, read_contents, write_contents
from backupctl.share.hashing import HASH_BYTES, Hashing
from backupctl.share.marks import ShelfMark
from backupctl.share.storage import FolderStorage
from backupctl.share.tables import PartSum, Row, TableText, read_table, table_name, write_table

CAPTURE, PART = "20261201T010000Z-image-00c0de", "0" * 20
in_folder = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
hash_names = st.sampled_from(sorted(HASH_BYTES))
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def mark(hash_name: str) -> ShelfMark:
    return ShelfMark("1" * 32, "2" * 32, "greenhouse", True, Hashing(hash_name, 7))


@st.composite
def entries(draw: st.DrawFn, width: int) -> list[Entry]:
    found, at = [], 0
    for _ in range(draw(st.integers(0, 12))):
        at += draw(st.integers(0, 3)) << 20
        length = draw(st.integers(1, 1 << 20))
        state = draw(st.sampled_from(State))
        with_hash = state is State.DATA or (state is State.UNREADABLE and draw(st.booleans()))
        found.append(Entry(at, length, state, draw(st.binary(min_size=width, max_size=width)) if with_hash else b""))
        at += length
    return found


def fresh(folder: Path, name: str) -> FolderStorage:
    storage = FolderStorage(folder)
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).unlink(missing_ok=True)
    return storage


@in_folder
@given(st.data(), hash_names)
def test_contents(tmp_path: Path, data: st.DataObject, hash_name: str) -> None:
    listed = data.draw(entries(HASH_BYTES[hash_name]))
    size = max((entry.offset + entry.length for entry in listed), default=0) + data.draw(st.integers(0, 9))
    name = contents_name(CAPTURE)
    storage = fresh(tmp_path, name)
    assert write_contents(storage, mark(hash_name), CAPTURE, size, listed) == (
        len(listed),
        (tmp_path / name).stat().st_size,
    )
    header, *found = read_contents(storage, mark(hash_name), CAPTURE)
    assert header.offset == size
    assert found == listed
    _no_other_text_is_taken(tmp_path / name, data, lambda: list(read_contents(storage, mark(hash_name), CAPTURE)))


@in_folder
@given(st.data(), hash_names)
def test_tables(tmp_path: Path, data: st.DataObject, hash_name: str) -> None:
    width, at, rows = HASH_BYTES[hash_name], 512, []
    for _ in range(data.draw(st.integers(0, 12))):
        at += 512 * data.draw(st.integers(0, 2))
        stored = 512 * data.draw(st.integers(1, 2000))
        hash, sha256 = (data.draw(st.binary(min_size=size, max_size=size)) for size in (width, 32))
        rows.append(Row(hash, sha256, at, stored, data.draw(st.integers(1, 16 << 20))))
        at += stored
    text = TableText(mark(hash_name), PART)
    for row in rows:
        text.add(row)
    storage = fresh(tmp_path, table_name(PART))
    write_table(storage, PART, text.finish(at, "c" * 32))
    *found, end = read_table(storage, mark(hash_name), PART)
    assert found == rows
    assert end == PartSum(len(rows), at, "c" * 32)
    _no_other_text_is_taken(tmp_path / table_name(PART), data, lambda: list(read_table(storage, mark(hash_name), PART)))


def _no_other_text_is_taken(path: Path, data: st.DataObject, read: Callable[[], object]) -> None:
    """One byte changed that the last line's checksum is of; and the file cut short."""
    stored = path.read_bytes()
    text = bytearray(zstandard.ZstdDecompressor().decompressobj().decompress(stored))
    text[data.draw(st.integers(0, text.rindex(b"#end") - 1))] ^= data.draw(st.integers(1, 255))
    cut = stored[: data.draw(st.integers(0, len(stored) - 1))]
    for changed in (zstandard.ZstdCompressor().compress(bytes(text)), cut):
        path.write_bytes(changed)
        with pytest.raises(Malformed):
            read()


KEYS = (
    "confirmed_parts", "damaged_parts", "damaged_copies", "damaged_captures", "healed_captures", "whole_captures",
    "slice", "lock", "captures", "capture", "reason", "until", "passed", "what", "lane", "ranges", "doing", "cause",
    "room",
)  # fmt: skip
bodies = st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=6), json_values, max_size=6)


KINDS = (
    "captured", "verified", "took-over", "failed", "guarded", "unguarded", "drilled", "accepted", "continued", "away",
    "x",
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(KINDS), bodies), max_size=5))
def test_events_of_a_hostile_share(said: list[tuple[str, dict[str, object]]]) -> None:
    """Whatever a body holds, the history holds only what its types allow, and what honest events said."""
    honest = Event(1, "0" * 8, "confirmed", "2026-12-01T02:00:00+01:00", True, {}, {"confirmed_parts": ["a"]})
    history = fold([honest, *(Event(2, "1" * 8, kind, "t", False, {}, body) for kind, body in said)])
    assert history.confirmed_parts["a"] == 1
    assert history.last_time == honest.time
    assert all(isinstance(part, str) for part in [*history.confirmed_parts, *history.damaged_parts])
    assert all(isinstance(part, str) and isinstance(hash, str) for part, hash in history.damaged_copies)
    for named in (history.damaged_captures, history.superseded):
        assert all(isinstance(key, str) for key in named)
        assert all(isinstance(item, str) for items in named.values() for item in items)
    assert all(isinstance(item, str) for pair in [*history.verified.items(), *history.drilled.items()] for item in pair)
    for guard in history.guards.values():
        assert isinstance(guard.reason, str) and isinstance(guard.until, str | None)
    for lane in history.continued:
        assert isinstance(lane.lane, str) and isinstance(lane.capture, str | None)
    assert all(isinstance(item, str) for item in [*history.guards, *history.unguarded, *history.accepted])
    assert isinstance(history.away_until, str) and isinstance(history.failed_run, str | None)
    assert isinstance(history, History)


@given(st.binary(max_size=60) | json_values.map(lambda value: json.dumps(value).encode()))
def test_fields_of_anything(text: bytes) -> None:
    try:
        fields = Fields.parse("a text", text)
    except Malformed:
        return
    for key in ("", "a", *json.loads(text)):
        for read, expected in (
            (fields.text, str), (fields.integer, int), (fields.flag, bool), (fields.raw_object, dict),
            (fields.objects, list), (fields.texts, tuple), (fields.ranges, tuple), (fields.object, Fields),
            (fields.number, float | None),
        ):  # fmt: skip
            try:
                assert isinstance(read(key), expected)
            except Malformed as error:
                assert error.structure.startswith("a text")


@pytest.mark.parametrize("text", [b"[" * 100_000, b'{"a": ' + b"9" * 5000 + b"}", b'{"a": 1e999}', b'{"a": NaN}',
                                  b'{"a": ' + b"9" * 400 + b"}"])  # fmt: skip
def test_numbers_and_depths_that_are_too_much(text: bytes) -> None:
    with pytest.raises(Malformed):
        Fields.parse("a text", text).number("a")


@given(st.dictionaries(st.text(max_size=8), json_values, max_size=5))
def test_what_is_dumped_is_json(value: dict[str, object]) -> None:
    again = json.loads(dump(value))
    assert json.dumps(again) == json.dumps(value)
