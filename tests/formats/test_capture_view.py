"""A capture read by position, against the bytes that a restore gives."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from backupctl.domain.errors import Damaged, Malformed
from backupctl.operations.listing import captures_of, find_capture
from backupctl.operations.restoring.capture_view import CaptureView
from backupctl.share.shelf import open_shelf
from tests.shelf_of_card import Made, flip

pytestmark = pytest.mark.formats


def view_of(made: Made, capture: str, cache_bytes: int = 16 << 20) -> CaptureView:
    shelf = open_shelf(made.share, "shed")
    captures, history = captures_of(shelf)
    return CaptureView(shelf, history, find_capture(captures, capture), lambda _: None, cache_bytes)


def test_reads_what_a_restore_writes(whole: Made) -> None:
    for capture, state in zip(whole.captures, whole.states, strict=True):
        expected = state.read_bytes()
        with view_of(whole, capture, 1 << 20) as view:
            assert view.size == len(expected)
            step = 1_000_003
            assert b"".join(view.read_at(at, min(step, view.size - at)) for at in range(0, view.size, step)) == expected
            assert any(expected[start:end] != bytes(end - start) for start, end in view.data())
            with pytest.raises(Malformed):
                view.read_at(view.size - 1, 2)


def test_reads_only_the_segments_that_it_needs_and_each_once(whole: Made) -> None:
    expected = whole.states[1].read_bytes()
    rng = random.Random(3)
    places = [(at, rng.choice((1, 4096, 700_000))) for at in rng.sample(range(len(expected) - 700_000), 200)]
    with view_of(whole, whole.captures[1], 1 << 30) as view, ThreadPoolExecutor(6) as threads:
        assert view.segments_read == 0
        assert view.read_at(0, 512) == expected[:512]
        assert view.segments_read == 1
        found = threads.map(lambda place: view.read_at(*place), places)
        assert [expected[at : at + length] for at, length in places] == list(found)
        assert view.segments_read <= view.segments


def test_damage_is_told_and_another_copy_taken(hurt: Made) -> None:
    row = hurt.row_in_both()
    start, _ = hurt.places_of(hurt.captures[1])[row.hash]
    flip(hurt.shelf / "stock" / f"{row.part}.zst", row.offset + row.stored // 2, 3)
    with view_of(hurt, hurt.captures[1]) as view:
        with pytest.raises(Damaged, match="no other copy"):
            view.read_at(start, 10)
        assert view.read_at(0, 512) == hurt.states[1].read_bytes()[:512]


def test_a_lost_table_is_made_up_for(hurt: Made) -> None:
    expected = hurt.states[0].read_bytes()
    notes: list[str] = []
    for part in hurt.parts():
        hurt.table_of(part.name.removesuffix(".zst")).unlink()
    shelf = open_shelf(hurt.share, "shed")
    captures, history = captures_of(shelf)
    with CaptureView(shelf, history, find_capture(captures, hurt.captures[0]), notes.append) as view:
        assert view.read_at(0, 5 << 20) == expected[: 5 << 20]
    assert any("searched" in note for note in notes)


def test_contents_of_another_length_are_refused(hurt: Made, tmp_path: Path) -> None:
    contents = hurt.contents(hurt.captures[0])
    contents.write_bytes(hurt.contents(hurt.captures[1]).read_bytes())
    with pytest.raises(Malformed, match="captures"):
        view_of(hurt, hurt.captures[0])
