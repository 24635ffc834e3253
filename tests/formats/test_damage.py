"""Damage on a shelf: verification finds it and says what is hurt; the next capture heals what the card still holds."""

from __future__ import annotations

import errno
import filecmp
import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from backupctl.operations.facts import this_machine
from backupctl.operations.progress import Quiet, Stop
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.share.shelf import Shelf, open_shelf
from backupctl.share.storage import FolderStorage, Source
from tests.program import Ended, backupctl
from tests.shelf_of_card import Made, Row, flip, pack, resealed, resealed_json, unpacked

pytestmark = pytest.mark.formats


def part_of(made: Made, row: Row) -> Path:
    return made.shelf / "stock" / f"{row.part}.zst"


def flipped_bit(made: Made, row: Row) -> None:
    flip(part_of(made, row), row.offset + row.stored // 3, 5)


def zeroed(made: Made, row: Row) -> None:
    """What a server that lost power leaves: the right size, the wrong bytes."""
    with part_of(made, row).open("r+b") as file:
        file.seek(row.offset)
        file.write(bytes(row.stored))


def truncated(made: Made, row: Row) -> None:
    with part_of(made, row).open("r+b") as file:
        file.truncate(row.offset + row.stored // 2)


def removed(made: Made, row: Row) -> None:
    part_of(made, row).unlink()


def removed_with_table(made: Made, row: Row) -> None:
    part_of(made, row).unlink()
    made.table_of(row.part).unlink()


def table_flipped(made: Made, row: Row) -> None:
    flip(made.table_of(row.part), made.table_of(row.part).stat().st_size // 2, 3)


def table_removed(made: Made, row: Row) -> None:
    made.table_of(row.part).unlink()


def table_says(change: Callable[[str, Row], str]) -> Callable[[Made, Row], None]:
    """A table that was altered, with all its checksums made right again."""

    def alter(made: Made, row: Row) -> None:
        path = made.table_of(row.part)
        text = unpacked(path)
        assert change(text, row) != text
        pack(path, resealed(change(text, row)))

    return alter


def another_hash(text: str, row: Row) -> str:
    return text.replace(row.hash, "0" * len(row.hash))


def another_sha256(text: str, row: Row) -> str:
    return text.replace(row.sha256, "0" * 64)


def hashes_swapped(text: str, row: Row) -> str:
    other = next(line.split("\t")[0] for line in text.splitlines()[1:-1] if not line.startswith(row.hash))
    return text.replace(other, "?").replace(row.hash, other).replace("?", row.hash)


DAMAGE: dict[str, Callable[[Made, Row], None]] = {
    "a flipped bit": flipped_bit,
    "zeros": zeroed,
    "truncated": truncated,
    "removed": removed,
    "removed, table too": removed_with_table,
    "table: another hash": table_says(another_hash),
    "table: another SHA-256": table_says(another_sha256),
    "table: two hashes swapped": table_says(hashes_swapped),
}


def assert_restores(made: Made, name: str, state: Path, folder: Path) -> None:
    out = folder / f"{name}.restored"
    backupctl(made.share, "restore", name, out)
    assert filecmp.cmp(out, state, shallow=False)
    out.unlink()


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE)
def test_damage_is_found_and_healed(damage: Callable[[Made, Row], None], hurt: Made, tmp_path: Path) -> None:
    row = hurt.row_in_both()
    first, second = hurt.captures
    damage(hurt, row)
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    told = {item["id"]: item["ranges"] for item in found["damaged_captures"]}
    assert set(told) == {first, second}
    for capture in hurt.captures:
        start, end = hurt.places_of(capture)[row.hash]
        assert any(low <= start and end <= high for low, high in told[capture])
    states = {item["id"]: item["state"] for item in backupctl(hurt.share, "list", "--json").json}
    assert states == {first: "damaged", second: "damaged"}

    out = tmp_path / "out.img"
    ended = backupctl(hurt.share, "restore", second, out, code=None)
    assert ended.code == 5 or (ended.code == 0 and filecmp.cmp(out, hurt.states[1], shallow=False))
    out.unlink(missing_ok=True)
    again = backupctl(hurt.share, "verify", "--json", code=5).json
    assert again["damaged_segments"] >= 1, "it stays damaged until somebody does something"

    # Each capture heals what its card still holds, of all captures.
    hurt.capture(source=hurt.states[0], code=None)
    third = hurt.capture(code=None)
    healed = backupctl(hurt.share, "verify", "--json").json
    assert {first, second, third} < set(healed["whole_captures"])
    assert {item["state"] for item in backupctl(hurt.share, "list", "--json").json} == {"good"}
    for name, state in ((first, hurt.states[0]), (second, hurt.states[1]), (third, hurt.states[1])):
        assert_restores(hurt, name, state, tmp_path)


@pytest.mark.parametrize("damage", [table_flipped, table_removed], ids=lambda f: f.__name__)
def test_a_table_is_made_anew_from_its_part(damage: Callable[[Made, Row], None], hurt: Made, tmp_path: Path) -> None:
    damage(hurt, hurt.row_in_both())
    third = hurt.capture(code=None)
    assert json.loads(hurt.record(third).read_text())["new_segments"] == 0
    backupctl(hurt.share, "verify")
    for name, state in zip(hurt.captures, hurt.states, strict=True):
        assert_restores(hurt, name, state, tmp_path)


@pytest.mark.parametrize("damage", [flipped_bit, zeroed, truncated, removed, table_flipped], ids=lambda f: f.__name__)
def test_a_capture_refers_to_nothing_damaged_that_it_could_have_seen(
    damage: Callable[[Made, Row], None], hurt: Made, tmp_path: Path
) -> None:
    """Without a verification in between: what the run before wrote is hashed once more before it is referred to."""
    second = hurt.captures[1]
    needed = hurt.places_of(second).keys()
    before = {row.part for row in hurt.rows() if row.hash in hurt.places_of(hurt.captures[0])}
    new = [row for row in hurt.rows() if row.hash in needed and row.part not in before]
    damage(hurt, new[0])
    third = hurt.capture(code=None)
    assert_restores(hurt, third, hurt.states[1], tmp_path)
    assert_restores(hurt, second, hurt.states[1], tmp_path)


def test_damaged_contents_hurt_their_capture_only(hurt: Made, tmp_path: Path) -> None:
    first, second = hurt.captures
    flip(hurt.contents(first), hurt.contents(first).stat().st_size // 2)
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    size = hurt.card.stat().st_size
    assert [(item["id"], item["ranges"]) for item in found["damaged_captures"]] == [(first, [[0, size]])]
    assert found["whole_captures"] == [second]
    backupctl(hurt.share, "restore", first, tmp_path / "out.img", code=5)
    third = hurt.capture()
    for name in (second, third):
        assert_restores(hurt, name, hurt.states[1], tmp_path)


def swap_lines(text: str) -> str:
    """Two segments change places: every line by itself is fine."""
    lines = text.splitlines(keepends=True)
    fields = [line.split("\t") for line in lines]
    data = [i for i, line in enumerate(fields) if line[2:3] == ["data"]]
    a, b = data[1], data[2]  # of equal lengths: only the last segment of a card may be shorter
    lines[a] = "\t".join([*fields[a][:3], fields[b][3]])
    lines[b] = "\t".join([*fields[b][:3], fields[a][3]])
    return "".join(lines)


def drop_line(text: str) -> str:
    lines = text.splitlines(keepends=True)
    del lines[3]
    lines[-1] = lines[-1].replace(f"#end\t{len(lines) - 1}", f"#end\t{len(lines) - 2}")
    return "".join(lines)


@pytest.mark.parametrize("change", [swap_lines, drop_line])
def test_contents_that_were_altered_with_care_restore_nothing(
    change: Callable[[str], str], hurt: Made, tmp_path: Path
) -> None:
    first, second = hurt.captures
    text = unpacked(hurt.contents(second))
    pack(hurt.contents(second), resealed(change(text)))
    ended = backupctl(hurt.share, "restore", second, tmp_path / "out.img", code=5)
    assert "altered" in ended.err
    assert [path.name for path in tmp_path.iterdir()] == ["share"]
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert [item["id"] for item in found["damaged_captures"]] == [second]
    assert found["whole_captures"] == [first]


def test_every_flipped_bit_of_a_record_or_mark_is_found(hurt: Made) -> None:
    rng = random.Random(3)
    for path in (hurt.record(hurt.captures[1]), hurt.shelf / "shelf.json", hurt.share / "share.json"):
        text = path.read_bytes()
        for at in rng.sample(range(len(text)), 6):
            flip(path, at, rng.randrange(7))
            # For a record or a mark of another format than 1, somebody else's word would have to be taken: 3.
            ended = backupctl(hurt.share, "verify", "--board", "shed", "--json", code=None)
            assert ended.code in (3, 5), (path.name, at, ended)
            path.write_bytes(text)
    backupctl(hurt.share, "verify")


def test_a_record_that_cannot_be_used_is_told_of(hurt: Made, tmp_path: Path) -> None:
    second = hurt.captures[1]
    record = hurt.record(second)
    flip(record, record.stat().st_size // 2)
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert [item["id"] for item in found["unusable_captures"]] == [second]
    listed = backupctl(hurt.share, "list", code=4)
    assert second in listed.out.replace("\n", "")
    assert "cannot be used" in backupctl(hurt.share, "restore", second, tmp_path / "out.img", code=2).err
    assert_restores(hurt, "newest", hurt.states[0], tmp_path)
    assert_restores(hurt, hurt.capture(), hurt.states[1], tmp_path)


def test_a_record_that_was_altered_with_care_restores_nothing(hurt: Made, tmp_path: Path) -> None:
    record = hurt.record(hurt.captures[1])
    text = record.read_text()
    digest = text.split('"digest": "')[1][:64]
    record.write_text(resealed_json(text.replace(digest, digest[::-1])))
    backupctl(hurt.share, "restore", "newest", tmp_path / "out.img", code=5)
    assert not (tmp_path / "out.img").exists()
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert [item["id"] for item in found["damaged_captures"]] == [hurt.captures[1]]


def test_a_segment_is_read_from_its_other_copy(hurt: Made, tmp_path: Path) -> None:
    before = {part.name for part in hurt.parts()}
    # The shelf has everything twice then: --no-confirm refers to nothing that the last run wrote, and a shelf whose
    # manifest is gone has no confirmed parts.
    for event in (hurt.shelf / "manifest").iterdir():
        event.unlink()
    hurt.capture("--no-confirm")
    rows = hurt.rows()
    new = [row for row in rows if f"{row.part}.zst" not in before]
    twice = [row for row in rows if row.hash in {other.hash for other in new}]
    assert len(twice) == 2 * len(new) > 10
    for copies in (new, [row for row in twice if row not in new]):
        row = next(row for row in copies if row.hash == new[3].hash)
        kept = part_of(hurt, row).read_bytes()
        flipped_bit(hurt, row)
        assert_restores(hurt, hurt.captures[1], hurt.states[1], tmp_path)
        part_of(hurt, row).unlink()
        assert_restores(hurt, hurt.captures[1], hurt.states[1], tmp_path)
        part_of(hurt, row).write_bytes(kept)
    flipped_bit(hurt, row)
    found = backupctl(hurt.share, "verify", "--json", code=5).json
    assert (found["damaged_segments"], found["damaged_captures"]) == (1, [])
    backupctl(hurt.share, "verify")


def test_what_was_away_and_is_back_counts_again(hurt: Made, tmp_path: Path) -> None:
    part = hurt.parts()[0]
    part.rename(tmp_path / "away")
    backupctl(hurt.share, "verify", code=5)
    backupctl(hurt.share, "restore", "newest", tmp_path / "out.img", code=5)
    (tmp_path / "away").rename(part)
    assert set(backupctl(hurt.share, "verify", "--json").json["healed_captures"]) == set(hurt.captures)
    for name, state in zip(hurt.captures, hurt.states, strict=True):
        assert_restores(hurt, name, state, tmp_path)


def test_nights_cover_everything_by_the_counter_of_the_manifest(hurt: Made) -> None:
    rows = hurt.rows()
    flipped_bit(hurt, hurt.row_in_both())
    turns = [backupctl(hurt.share, "verify", "--nights", "3", "--json", code=None) for _ in range(4)]
    slices = [turn.json["slice"] for turn in turns]
    assert slices == [[0, 3], [1, 3], [2, 3], [0, 3]]
    assert sum(turn.json["checked_segments"] for turn in turns[:3]) == len(rows)
    assert all(turn.json["checked_segments"] > 0 for turn in turns)
    found_in = [i for i, turn in enumerate(turns[:3]) if turn.json["damaged_segments"]]
    # From the night that finds it on, the captures are known to be hurt.
    assert [turn.code for turn in turns[:3]] == [5 if i >= found_in[0] else 0 for i in range(3)]


class TroubledStorage(FolderStorage):
    """A share whose parts cannot be read, with the error that is given."""

    def __init__(self, root: Path, error: int) -> None:
        super().__init__(root)
        self._error = error

    def open(self, name: str, past_cache: bool = False) -> Source:
        source = super().open(name, past_cache)
        if name.startswith("stock/") and not name.endswith(".table.zst"):

            def fail(offset: int, length: int) -> bytes:
                raise OSError(self._error, "trouble")

            source.read_at = fail  # type: ignore[method-assign]
        return source


def run_verify(made: Made, error: int | None) -> dict[str, Any]:
    shelf = open_shelf(made.share, "shed")
    if error is not None:
        shelf = Shelf(TroubledStorage(shelf.path, error), shelf.mark, shelf.path)
    return verify(shelf, VerifyOptions(), this_machine(made.share.parent / "state"), Quiet(), Stop())


@pytest.mark.parametrize("error", [errno.EHOSTDOWN, errno.ETIMEDOUT, errno.ESTALE])
def test_a_share_that_goes_away_is_no_damage(error: int, hurt: Made) -> None:
    with pytest.raises(OSError, match="trouble"):
        run_verify(hurt, error)
    found = backupctl(hurt.share, "verify", "--json").json
    assert (found["damaged_segments"], len(found["whole_captures"])) == (0, 2)


def test_a_disk_that_could_not_be_read_one_night_is_forgiven_the_next(hurt: Made, tmp_path: Path) -> None:
    found = run_verify(hurt, errno.EIO)
    assert found["damaged_segments"] == len({row.hash for row in hurt.rows()})
    assert set(run_verify(hurt, None)["healed_captures"]) == set(hurt.captures)
    for name, state in zip(hurt.captures, hurt.states, strict=True):
        assert_restores(hurt, name, state, tmp_path)


def test_words_tell_what_is_hurt(hurt: Made) -> None:
    flipped_bit(hurt, hurt.row_in_both())
    ended: Ended = backupctl(hurt.share, "verify", code=5)
    assert all(capture in ended.out.replace("\n", " ") for capture in hurt.captures)
    assert "partition" in ended.out or "outside" in ended.out


def test_words_tell_of_a_card_without_a_partition_table(tmp_path: Path) -> None:
    share, card = tmp_path / "share", tmp_path / "card.img"
    share.mkdir()
    card.write_bytes(random.Random(6).randbytes(1 << 20))
    backupctl(None, "share", "adopt", share, "--same-machine", "--board", "shed")
    made = Made(share, card, ("", ""), (card, card))
    made.capture(code=None)
    flipped_bit(made, made.rows()[0])
    assert "in the card (unknown)" in backupctl(share, "verify", code=5).out.replace("\n", " ")
