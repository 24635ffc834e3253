"""The main job from end to end, as users start it, judged by e2fsprogs, dosfstools, mtools, cmp, zstd, sha256sum."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import xxhash

from backupctl.domain.ranges import Ranges
from backupctl.domain.segments import SEGMENT_BYTES
from tests import card_images
from tests.card_images import MIB, Card, free_by_tools, run, take_out
from tests.program import backupctl

pytestmark = pytest.mark.formats
CELL = SEGMENT_BYTES


@dataclass(frozen=True)
class Job:
    """A share after two captures of a card that was changed between them; `then` is a copy of the card as it was."""

    share: Path
    shelf: Path
    card: Card
    then: Path
    first: dict[str, Any]
    second: dict[str, Any]


def adopted(folder: Path, *options: str) -> Path:
    folder.mkdir()
    backupctl(None, "share", "adopt", folder, "--same-machine", "--board", "shed", *options)
    return folder


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("job")
    card = card_images.mbr_card(folder)
    share = adopted(folder / "share")
    first = backupctl(
        share, "capture", "--board", "shed", "--source", card.path, "--label", "before the change", "--json"
    ).json
    then = folder / "then.img"
    shutil.copyfile(card.path, then)
    change(card, folder)
    second = backupctl(share, "capture", "--board", "shed", "--source", card.path, "--json").json
    return Job(share, share / "boards" / "shed", card, then, first, second)


def change(card: Card, folder: Path) -> None:
    """One file more on the ext4, one fewer, and another content of one on the FAT."""
    (folder / "note").write_bytes(b"the pump was replaced\n" * 1000)
    root, boot = card.volume("ext4"), card.volume("fat")
    script = folder / "change.debugfs"
    script.write_text(f"write {folder / 'note'} /room3/note\nrm /room2/reading002\n")
    run("debugfs", "-w", "-f", script, f"{card.path}?offset={root.start}")
    run("mcopy", "-o", "-i", f"{card.path}@@{boot.start}", folder / "note", "::/room1/reading001")


def restored(job: Job, name: str, into: Path) -> Path:
    backupctl(job.share, "restore", name, into)
    return into


def assert_same_where_it_matters(source: Path, copy: Path, card: Card, zeroed: Ranges, scratch: Path) -> None:
    """Every byte that outside tools call in use is equal, but for zeroed ranges; all free bytes are zero."""
    before, after = source.read_bytes(), copy.read_bytes()
    assert len(before) == len(after)
    free = free_by_tools(source, card.volumes, scratch)
    kept = free.inverted(0, len(before)) - zeroed
    assert kept.total > 5 * MIB
    wrong = [(start, end) for start, end in kept if before[start:end] != after[start:end]]
    assert not wrong
    assert all(not any(after[start:end]) for start, end in free | zeroed)
    for offset, content in card.markers.items():
        assert after[offset : offset + len(content)] == content, offset


def assert_file_systems_are_clean(copy: Path, card: Card, scratch: Path) -> None:
    for volume in card.volumes:
        alone = take_out(copy, volume, scratch / "alone.img")
        if volume.kind == "ext4":
            run("e2fsck", "-fn", alone)
        elif volume.kind == "fat":
            run("fsck.vfat", "-n", alone)


def files_on(image: Path, card: Card, scratch: Path) -> dict[str, bytes]:
    """All files of all file systems, read by debugfs and mcopy."""
    found: dict[str, bytes] = {}
    for volume in card.volumes:
        out = scratch / f"files-{volume.kind}"
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        alone = take_out(image, volume, scratch / "alone.img")
        if volume.kind == "ext4":
            run("debugfs", "-R", f"rdump / {out}", alone)
            shutil.rmtree(out / "lost+found")
        elif volume.kind == "fat":
            run("mcopy", "-s", "-n", "-i", alone, "::", out)
        found |= {f"{volume.kind}/{p.relative_to(out)}": p.read_bytes() for p in out.rglob("*") if p.is_file()}
    return found


def tree_of(card: Card) -> dict[str, bytes]:
    return {
        f"{volume.kind}/{path.relative_to(volume.tree)}": path.read_bytes()
        for volume in card.volumes
        if volume.tree
        for path in volume.tree.rglob("*")
        if path.is_file()
    }


CARDS: dict[str, Callable[[Path], Card]] = {
    "mbr": card_images.mbr_card,
    "gpt": card_images.gpt_card,
    "logical": card_images.logical_card,
    "bare ext4": card_images.bare_ext4,
    "bare fat": card_images.bare_fat,
}


@pytest.mark.parametrize("make", CARDS.values(), ids=CARDS)
def test_a_card_comes_back(make: Callable[[Path], Card], tmp_path: Path) -> None:
    card = make(tmp_path / "card")
    share = adopted(tmp_path / "share")
    taken = backupctl(share, "capture", "--board", "shed", "--source", card.path, "--json").json
    assert taken["in_use_bytes"] < card.path.stat().st_size * 0.6, "free space was not recognised"
    copy = tmp_path / "copy.img"
    backupctl(share, "restore", "newest", copy)
    shown = backupctl(share, "show", "newest", "--json").json
    assert_same_where_it_matters(card.path, copy, card, Ranges(map(tuple, shown["record"]["zeroed"])), tmp_path)
    assert_file_systems_are_clean(copy, card, tmp_path)
    assert files_on(copy, card, tmp_path) == tree_of(card)


@pytest.mark.parametrize("lie", ["overlap", "beyond"])
def test_a_card_whose_table_lies_is_read_whole_with_a_warning(lie: str, tmp_path: Path) -> None:
    card = card_images.lying_card(tmp_path / "card", lie)
    share = adopted(tmp_path / "share")
    taken = backupctl(share, "capture", "--board", "shed", "--source", card.path, "--json", code=4).json
    assert any("partition table" in text for text in taken["warnings"])
    backupctl(share, "restore", "newest", tmp_path / "copy.img")
    run("cmp", card.path, tmp_path / "copy.img")


def test_both_captures_come_back_each_as_it_was(job: Job, tmp_path: Path) -> None:
    for name, source in ((job.first["id"], job.then), (job.second["id"], job.card.path)):
        copy = restored(job, name, tmp_path / f"{name}.img")
        record = json.loads((job.shelf / "captures" / name / "record.json").read_text())
        assert_same_where_it_matters(source, copy, job.card, Ranges(map(tuple, record["zeroed"])), tmp_path)
        assert_file_systems_are_clean(copy, job.card, tmp_path)
        assert files_on(copy, job.card, tmp_path) == files_on(source, job.card, tmp_path)


def test_a_restored_file_is_sparse_and_for_its_owner_only(job: Job, tmp_path: Path) -> None:
    found = restored(job, "newest", tmp_path / "copy.img").stat()
    assert found.st_blocks * 512 < found.st_size / 2
    assert found.st_mode & 0o077 == 0


def test_the_second_capture_writes_only_what_changed(job: Job) -> None:
    before, after = job.then.read_bytes(), job.card.path.read_bytes()
    changed = sum(before[at : at + CELL] != after[at : at + CELL] for at in range(0, len(after), CELL))
    shown = backupctl(job.share, "show", job.second["id"], "--json").json["record"]
    assert 0 < shown["new_segments"] <= changed < 12
    assert shown["written_bytes"] < job.first["written_bytes"] / 3


def test_list_tells_what_the_design_promises(job: Job) -> None:
    found = backupctl(job.share, "list", "--json").json
    assert [item["id"] for item in found] == [job.first["id"], job.second["id"]], "newest last"
    keys = {
        "id", "board", "kind", "source", "started", "finished", "label", "guarded", "state", "stream_bytes",
        "in_use_bytes", "written_bytes", "frozen_seconds", "verified", "drilled", "warnings",
    }  # fmt: skip
    for item in found:
        assert keys <= item.keys()
        for key in ("started", "finished"):
            assert datetime.fromisoformat(item[key]).tzinfo is not None, "RFC 3339 has an offset"
        assert (item["board"], item["kind"], item["state"]) == ("shed", "image", "good")
        assert item["stream_bytes"] == job.card.path.stat().st_size
        assert item["source"] == str(job.card.path)
    assert [item["label"] for item in found] == ["before the change", None]
    free = free_by_tools(job.then, job.card.volumes, job.then.parent).total
    assert found[0]["in_use_bytes"] == found[0]["stream_bytes"] - free
    assert "before the change" in backupctl(job.share, "show", job.first["id"]).out
    assert {key: found[1][key] for key in keys} == {key: job.second[key] for key in keys}, "capture --json is the same"
    assert backupctl(job.share, "list").out.count("\n") >= 3


def test_runs_tells_what_happened(job: Job) -> None:
    found = backupctl(job.share, "runs", "--json").json
    captured = [event["body"]["capture"] for event in found if event["kind"] == "captured"]
    assert captured == [job.first["id"], job.second["id"]]
    assert all(datetime.fromisoformat(event["time"]).tzinfo for event in found)
    assert job.first["id"] in backupctl(job.share, "runs").out.replace("\n", "")


def test_verify_reads_every_segment_of_every_part(job: Job) -> None:
    found = backupctl(job.share, "verify", "--thorough", "--json").json
    rows = sum(len(table_lines(path)) for path in (job.shelf / "stock").glob("*.table.zst"))
    assert (found["checked_segments"], found["damaged_segments"], found["damaged_captures"]) == (rows, 0, [])
    assert set(found["whole_captures"]) == {job.first["id"], job.second["id"]}
    assert all(datetime.fromisoformat(item["verified"]) for item in backupctl(job.share, "list", "--json").json)
    one = backupctl(job.share, "verify", job.second["id"], "--json").json
    assert 0 < one["checked_segments"] < rows
    assert one["whole_captures"] == [job.second["id"]]


def test_captures_are_found_by_name_label_and_time(job: Job) -> None:
    first, second = job.first["id"], job.second["id"]

    def shown(*arguments: str) -> str:
        return str(backupctl(job.share, "show", *arguments, "--json").json["id"])

    def unique(id: str, other: str) -> str:
        return next(id[:n] for n in range(1, len(id)) if not other.startswith(id[:n]))

    assert shown("newest") == second
    assert shown(unique(first, second)) == first
    assert shown("before the change") == first
    assert shown("--as-of", job.first["finished"]) in (first, second)
    far = backupctl(job.share, "show", "--as-of", "2020-01-01", code=2)
    assert "no capture" in far.err
    assert "2 captures" in backupctl(job.share, "show", first[:8], code=2).err
    for wrong in ("the day after", "../captures", "20991231T000000Z-image-000000"):
        assert "there is no capture" in backupctl(job.share, "show", wrong, code=2).err
    assert "not a moment" in backupctl(job.share, "show", "--as-of", "yesteryear", code=2).err


def everything_under(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.stat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in [folder, *folder.rglob("*")]
    }


def test_a_dry_run_writes_nothing(job: Job, tmp_path: Path) -> None:
    before = everything_under(job.share)
    told = backupctl(job.share, "capture", "--board", "shed", "--source", job.card.path, "--dry-run", "--json").json
    assert told["in_use_bytes"] == job.second["in_use_bytes"]
    assert told["estimated_written_bytes"] == 0, "the shelf holds all of it"
    backupctl(job.share, "restore", "newest", tmp_path / "copy.img", "--dry-run")
    assert everything_under(job.share) == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("wanted", ["capture", "list", "verify", "restore"])
def test_a_folder_without_the_mark_is_refused_and_left_alone(wanted: str, job: Job, tmp_path: Path) -> None:
    folder = tmp_path / "unmarked"
    folder.mkdir()
    more: dict[str, list[str | Path]] = {
        "capture": ["--board", "shed", "--source", job.card.path],
        "restore": ["newest", tmp_path / "out"],
    }
    ended = backupctl(folder, wanted, *more.get(wanted, []), code=3)
    assert "share adopt" in ended.err
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "hint"),
    [("[stor]\n", "store"), ("[store]\nlevle = 3\n", "level"), ("[image]\nleave_uot = [1]\n", "leave_out")],
)
def test_a_policy_with_an_unknown_key_names_the_nearest(text: str, hint: str, job: Job, tmp_path: Path) -> None:
    policy = tmp_path / "typo.toml"
    policy.write_text(text)
    before = everything_under(job.share)
    ended = backupctl(job.share, "capture", "--board", "shed", "--source", job.card.path, "--policy", policy, code=2)
    assert f"'{hint}'" in ended.err
    assert everything_under(job.share) == before


def test_the_shipped_policy_is_what_holds_without_one(job: Job) -> None:
    shipped = tomllib.loads((Path(__file__).parents[2] / "policies" / "standard.toml").read_text())
    record = json.loads((job.shelf / "captures" / job.first["id"] / "record.json").read_text())
    assert record["policy"]["store"]["level"] == shipped["store"]["level"]
    assert record["policy"]["store"]["sync_every"] == 64 * MIB == 67108864


def test_nothing_is_overwritten(job: Job, tmp_path: Path) -> None:
    target = tmp_path / "there"
    target.write_text("mine")
    backupctl(job.share, "restore", "newest", target, code=3)
    assert target.read_text() == "mine"
    backupctl(job.share, "restore", "newest", tmp_path / "no" / "folder", code=3)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["there"]


def zstd(path: Path) -> bytes:
    return subprocess.run(["zstd", "-dcq", str(path)], stdout=subprocess.PIPE, check=True).stdout


def table_lines(path: Path) -> list[list[str]]:
    return [line.split("\t") for line in zstd(path).decode().splitlines() if not line.startswith("#")]


def xxhsum(data: bytes) -> str:
    """XXH3-128, seed 0, by the program: it has no option for a seed."""
    done = subprocess.run(["xxhsum", "-H2", "-q"], input=data, stdout=subprocess.PIPE, check=True)
    return done.stdout.decode().split()[0]


@pytest.mark.skipif(shutil.which("xxhsum") is None, reason="xxhsum is not installed")
def test_parts_and_tables_agree_with_the_programs(job: Job, tmp_path: Path) -> None:
    seed = int(json.loads((job.shelf / "shelf.json").read_text())["seed"], 16)
    parts = [path for path in (job.shelf / "stock").glob("*.zst") if not path.name.endswith(".table.zst")]
    assert parts
    for part in parts:
        run("zstd", "-tq", part)
        table = part.with_name(part.name.replace(".zst", ".table.zst"))
        run("zstd", "-tq", table)
        stored, joined, at = part.read_bytes(), zstd(part), 0
        for hash, sha256, offset, length, content_length in table_lines(table):
            frame = tmp_path / "frame.zst"
            frame.write_bytes(stored[int(offset) : int(offset) + int(length)])
            content = zstd(frame)
            assert content == joined[at : at + int(content_length)], "plain zstd gives all segments, joined"
            at += len(content)
            assert hash == xxhash.xxh3_128_hexdigest(content, seed=seed)
            (tmp_path / "content").write_bytes(content)
            assert sha256 == run("sha256sum", tmp_path / "content").split()[0]
        assert at == len(joined)
        text = zstd(table).decode()
        *lines, last = text.splitlines(keepends=True)
        end, count, part_bytes, part_sum, own = last.rstrip("\n").split("\t")
        assert (end, int(count), int(part_bytes)) == ("#end", len(lines) - 1, len(stored))
        assert (part_sum, own) == (xxhsum(stored), xxhsum("".join(lines).encode()))


def test_the_digest_of_a_capture_can_be_made_with_awk_and_sha256sum(job: Job) -> None:
    for capture in (job.first["id"], job.second["id"]):
        script = (
            "for t in stock/*.table.zst; do zstd -dcq $t; done | awk -F'\\t' '!/^#/ {print $1, $2}' >$0/sums; "
            "zstd -dcq captures/$1/contents.0.tsv.zst | awk -F'\\t' -v OFS='\\t' -v sums=$0/sums '"
            'BEGIN {while ((getline line <sums) > 0) {split(line, f, " "); sha[f[1]] = f[2]}} '
            '!/^#/ {print $1, $2, $3, ($4 == "-" ? "-" : sha[$4])}\' | sha256sum'
        )
        done = subprocess.run(
            ["sh", "-c", script, str(job.then.parent), capture], cwd=job.shelf, stdout=subprocess.PIPE, check=True
        )
        record = json.loads((job.shelf / "captures" / capture / "record.json").read_text())
        assert done.stdout.decode().split()[0] == record["streams"][0]["digest"]


SHELLS = [["dash"], ["busybox", "sh"]]


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_the_shelf_rebuilds_a_capture_without_the_program(shell: list[str], job: Job, tmp_path: Path) -> None:
    if shutil.which(shell[0]) is None:
        pytest.skip(f"{shell[0]} is not installed")
    for capture in (job.first["id"], job.second["id"]):
        out = tmp_path / f"{capture}.img"
        subprocess.run([*shell, "rebuild.sh", f"captures/{capture}", str(out)], cwd=job.shelf, check=True)
        run("cmp", out, restored(job, capture, tmp_path / f"{capture}.restored"))


def test_a_standalone_file_decompresses_to_the_card(job: Job, tmp_path: Path) -> None:
    share = adopted(tmp_path / "share")
    policy = tmp_path / "alone.toml"
    policy.write_text("[store]\nstandalone = true\n")
    taken = backupctl(share, "capture", "--board", "shed", "--source", job.card.path, "--policy", policy, "--json").json
    alone = share / "boards" / "shed" / "captures" / taken["id"] / f"{taken['id']}.img.zst"
    run("zstd", "-dq", alone, "-o", tmp_path / "alone.img")
    backupctl(share, "restore", "newest", tmp_path / "copy.img")
    run("cmp", tmp_path / "alone.img", tmp_path / "copy.img")
    stock = sum(path.stat().st_size for path in (share / "boards" / "shed" / "stock").iterdir())
    assert taken["written_bytes"] > stock, "the file counts as written"


def test_a_shelf_that_finds_segments_by_sha256_works_throughout(job: Job, tmp_path: Path) -> None:
    policy = tmp_path / "sha.toml"
    policy.write_text('[store]\nidentity = "sha256"\n')
    share = adopted(tmp_path / "share", "--policy", str(policy))
    shelf = share / "boards" / "shed"
    for source in (job.then, job.card.path):
        taken = backupctl(share, "capture", "--board", "shed", "--source", source, "--json").json
    assert taken["written_bytes"] < MIB * 4
    for table in (shelf / "stock").glob("*.table.zst"):
        assert all(hash == sha256 for hash, sha256, *_ in table_lines(table))
    assert backupctl(share, "verify", "--json").json["damaged_segments"] == 0
    backupctl(share, "restore", taken["id"], tmp_path / "copy.img")
    subprocess.run(["sh", "rebuild.sh", f"captures/{taken['id']}", str(tmp_path / "b.img")], cwd=shelf, check=True)
    run("cmp", tmp_path / "copy.img", tmp_path / "b.img")
    assert files_on(tmp_path / "copy.img", job.card, tmp_path) == files_on(job.card.path, job.card, tmp_path)


def test_what_a_policy_leaves_out_is_an_empty_place(job: Job, tmp_path: Path) -> None:
    policy = tmp_path / "no-root.toml"
    policy.write_text("[image]\nleave_out = [2]\n")
    share = adopted(tmp_path / "share")
    backupctl(share, "capture", "--board", "shed", "--source", job.card.path, "--policy", policy)
    copy = tmp_path / "copy.img"
    backupctl(share, "restore", "newest", copy)
    tables = [json.loads(run("sfdisk", "--json", path))["partitiontable"] for path in (job.card.path, copy)]
    for table in tables:
        for partition in table["partitions"]:
            del partition["node"]
        del table["device"]
    assert tables[0] == tables[1]
    root = job.card.volume("ext4")
    assert not any(take_out(copy, root, tmp_path / "root.img").read_bytes())
    boot = Card(copy, (job.card.volume("fat"),))
    assert files_on(copy, boot, tmp_path) == files_on(job.card.path, boot, tmp_path)


def test_the_shelf_alone_is_enough(job: Job, tmp_path: Path) -> None:
    """A board may be given its own folder only; and the shelf may be a copy on a disk."""
    alone = tmp_path / "alone"
    shutil.copytree(job.shelf, alone)
    assert [item["id"] for item in backupctl(alone, "list", "--json").json] == [job.first["id"], job.second["id"]]
    backupctl(alone, "restore", job.first["id"], tmp_path / "copy.img")
    restored(job, job.first["id"], tmp_path / "other.img")
    run("cmp", tmp_path / "copy.img", tmp_path / "other.img")
    sums = [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted((alone / "stock").iterdir())]
    assert sums == [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted((job.shelf / "stock").iterdir())]


@pytest.mark.parametrize("label", ["", "newest", "x" * 201, "two\nlines", "\x1b[2J", os.fsdecode(b"\xff")])
def test_a_label_that_would_do_harm_later_is_refused(label: str, job: Job) -> None:
    before = everything_under(job.share)
    backupctl(job.share, "capture", "--board", "shed", "--source", job.card.path, "--label", label, code=2)
    assert everything_under(job.share) == before


def test_file_names_need_not_be_text(job: Job, tmp_path: Path) -> None:
    share = adopted(tmp_path / "share")
    card, out = (tmp_path / os.fsdecode(name + b"\xff\n.img") for name in (b"card", b"out"))
    shutil.copyfile(job.card.path, card)
    backupctl(share, "capture", "--board", "shed", "--source", card)
    backupctl(share, "restore", "newest", out)
    for words in (["list"], ["list", "--json"], ["show"], ["show", "--json"], ["runs"], ["runs", "--json"], ["verify"]):
        backupctl(share, *words)
    kinds = [event["kind"] for event in backupctl(share, "runs", "--json").json]
    assert kinds == ["captured", "restored", "verified"]
