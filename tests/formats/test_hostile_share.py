"""A share that somebody made to do harm: a clear error from the table, nothing touched outside, memory bounded."""

from __future__ import annotations

import filecmp
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.program import command, environment, here
from tests.shelf_of_card import Made, pack, resealed, resealed_json, unpacked

pytestmark = pytest.mark.formats
MOST_MEMORY = 300 << 20
KNOWN_CODES = {0, 1, 2, 3, 4, 5, 6, 7}  # of the documented table; 70 is an error of the program itself


def claims_a_tebibyte() -> bytes:
    """RFC 8878, 3.1.1.1: a header with an 8-byte content size, single segment; then one raw block of one byte."""
    return b"\x28\xb5\x2f\xfd" + bytes([0b1110_0000]) + (1 << 40).to_bytes(8, "little") + b"\x09\x00\x00x"


def bomb(unit: bytes, count: int = 1 << 30) -> bytes:
    """A gigabyte of `unit`, again and again, in some kilobytes."""
    script = (
        f"yes \"$0\" | tr -d '\\n' | head -c {count} | zstd -qc" if unit != b"\n" else "yes '' | head -c %d | zstd -qc"
    )
    done = subprocess.run(
        ["sh", "-c", script if unit != b"\n" else script % count, unit.decode()], stdout=subprocess.PIPE, check=True
    )
    assert len(done.stdout) < 1 << 20
    return done.stdout


def run_all(made: Made, folder: Path, capture: bool = True) -> dict[str, int]:
    """Every command on the share; their exit codes. None may be an error of the program, or restore another byte."""
    out = folder / "restored.img"
    commands: list[list[str | Path]] = [
        ["list"], ["list", "--json"], ["show", made.captures[1]], ["runs"], ["verify", "--thorough"],
        ["verify", "--nights", "2"], ["restore", "newest", out], ["restore", made.captures[0], out],
    ]  # fmt: skip
    if capture:
        commands.append(["capture", "--board", "shed", "--source", made.card])
        commands.append(["restore", "newest", out])
    codes = {}
    for words in commands:
        ended = here(made.share, *words)
        codes[" ".join(map(str, words))] = ended.code
        assert ended.code in KNOWN_CODES, (words, ended)
        assert "Traceback" not in ended.err, (words, ended)
        if words[0] == "restore":
            assert out.exists() == (ended.code == 0)
            if out.exists():
                assert any(filecmp.cmp(out, state, shallow=False) for state in made.states)
                out.unlink()
    return codes


_MEASURED = """
import os, subprocess, sys
child = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
_, status, used = os.wait4(child.pid, 0)
print(os.waitstatus_to_exitcode(status), used.ru_maxrss)
"""


def measured(made: Made, *words: str | Path) -> tuple[int, int]:
    """Exit code, and the most bytes that a process of the run held (getrusage(2): KiB).

    From a small process: what a child held before it became another program counts as well.
    """
    done = subprocess.run(
        [sys.executable, "-c", _MEASURED, *command(*words)], env=environment(made.share), stdout=subprocess.PIPE,
        text=True, check=True, timeout=60,
    )  # fmt: skip
    code, kibibytes = done.stdout.split()
    return int(code), int(kibibytes) * 1024


def newest(made: Made) -> Path:
    return made.shelf / "captures" / made.captures[1]


def edit_record(made: Made, **fields: object) -> None:
    path = newest(made) / "record.json"
    value = json.loads(path.read_text()) | fields
    path.write_text(resealed_json(json.dumps(value, indent=2)))


def edit_lines(path: Path, change: Callable[[list[str]], None]) -> None:
    """Changes the fields of the fourth line of a table or contents, and makes the checksum right again."""
    lines = unpacked(path).splitlines(keepends=True)
    fields = lines[3].rstrip("\n").split("\t")
    change(fields)
    lines[3] = "\t".join(fields) + "\n"
    pack(path, resealed("".join(lines)))


def event(made: Made, text: str) -> None:
    (made.shelf / "manifest" / "0000000099-00000000.json").write_text(text)


def event_with(made: Made, body: dict[str, object], kind: str = "verified", sequence: int = 99) -> None:
    value = {"sequence": sequence, "token": "00000000", "kind": kind, "time": "2026-01-01T00:00Z", "trusted": True}
    event(made, json.dumps(value | {"by": {}, "body": body}))


def table(made: Made) -> Path:
    return made.table_of(made.parts()[0].name.removesuffix(".zst"))


def setter(index: int, value: str) -> Callable[[list[str]], None]:
    return lambda fields: fields.__setitem__(index, value)


def first_segment_claims(made: Made) -> None:
    with made.parts()[0].open("r+b") as file:
        file.seek(512)
        file.write(claims_a_tebibyte())


DEEP = "[" * 100_000 + "]" * 100_000
WIDE = "[" + "[]," * 15_000_000 + "[]]"

ATTACKS: dict[str, Callable[[Made], object]] = {
    "deep field": lambda m: (newest(m) / "record.json").write_text(f'{{"format": {DEEP}}}'),
    "deep event body": lambda m: event(m, f'{{"sequence": 9, "body": {{"a": {"[" * 300 + "]" * 300}}}}}'),
    "half a character": lambda m: event_with(m, {"doing": "\ud800", "cause": "\udfff"}, "failed"),
    "infinite number": lambda m: edit_record(m, frozen_seconds=float("inf")),
    "huge number": lambda m: edit_record(m, frozen_seconds=10**400),
    "no streams": lambda m: edit_record(m, streams=[]),
    "stream of 2^62": lambda m: edit_record(m, streams=[{"number": 0, "bytes": 1 << 62, "lines": 1, "digest": ""}]),
    "no time": lambda m: edit_record(m, finished="yesterday"),
    "time without offset": lambda m: edit_record(m, started="2026-01-01T00:00:00"),
    "left out": lambda m: edit_record(m, left_out=["two"]),
    "layout of words": lambda m: edit_record(m, layout={"volumes": ["a", 1]}),
    "layout without places": lambda m: edit_record(m, layout={"volumes": [{"start": "x", "end": None}]}),
    "part ../": lambda m: edit_record(m, parts=["../../../../outside"]),
    "board ../": lambda m: edit_record(m, board="../.."),
    "zeroed backwards": lambda m: edit_record(m, zeroed=[[5, 1]]),
    "zeroed at 2^64": lambda m: edit_record(m, zeroed=[[1 << 64, 1 << 65]]),
    "terminal codes": lambda m: edit_record(m, label="\x1b[2J\x9b31m"),
    "contents at 2^63": lambda m: edit_lines(m.contents(m.captures[1]), setter(0, str(1 << 63))),
    "contents of length 0": lambda m: edit_lines(m.contents(m.captures[1]), setter(1, "0")),
    "contents of 1 TiB": lambda m: edit_lines(m.contents(m.captures[1]), setter(1, str(1 << 40))),
    "contents at -1": lambda m: edit_lines(m.contents(m.captures[1]), setter(0, "-1")),
    "contents with a hash of blanks": lambda m: edit_lines(m.contents(m.captures[1]), setter(3, " " * 32)),
    "table at 2^63": lambda m: edit_lines(table(m), setter(2, str(1 << 63))),
    "table stored 2^63": lambda m: edit_lines(table(m), setter(3, str(1 << 63))),
    "table length 2^63": lambda m: edit_lines(table(m), setter(4, str(1 << 63))),
    "table with a short hash": lambda m: edit_lines(table(m), setter(0, "ab" * 8 + " " * 16)),
    "table with a number of 5000 digits": lambda m: edit_lines(table(m), setter(2, "9" * 3000)),
    "event with odd parts": lambda m: event_with(
        m, {"confirmed_parts": ["../../x", 5, None], "damaged_parts": "x", "damaged_copies": [[1, 2], ["a"], 3],
            "damaged_captures": {"../x": ["zz", 7], m.captures[1]: "no"}, "slice": "x", "checked_segments": "many"}
    ),
    "captured oddly": lambda m: event_with(m, {"warnings": 7, "written_bytes": [], "capture": {}}, "captured"),
    "sequence at its end": lambda m: event_with(m, {}, sequence=9_999_999_999),
    "share mark": lambda m: (m.share / "share.json").write_text('{"backupctl": "share", "format": 9999999999999999}'),
    "shelf mark": lambda m: (m.shelf / "shelf.json").write_text(resealed_json(
        (m.shelf / "shelf.json").read_text().replace('"board": "shed"', '"board": "../.."'))),
}  # fmt: skip

# What would take much memory, if it were taken at its word.
LARGE: dict[str, Callable[[Made], object]] = {
    "table claims 1 TiB": lambda m: table(m).write_bytes(claims_a_tebibyte()),
    "contents claim 1 TiB": lambda m: m.contents(m.captures[1]).write_bytes(claims_a_tebibyte()),
    "segment claims 1 TiB": first_segment_claims,
    "table of zeros": lambda m: table(m).write_bytes(bomb(b"0")),
    "table of line ends": lambda m: table(m).write_bytes(bomb(b"\n")),
    "contents of line ends": lambda m: m.contents(m.captures[1]).write_bytes(bomb(b"\n")),
    "contents of tabs": lambda m: m.contents(m.captures[1]).write_bytes(bomb(b"\t")),
    "part of zeros": lambda m: m.parts()[0].write_bytes(bomb(b"0")),
    "deep record": lambda m: (newest(m) / "record.json").write_text(DEEP),
    "deep event": lambda m: event(m, DEEP),
    "wide event": lambda m: event(m, f'{{"sequence": 9, "body": {{"a": {WIDE}}}}}'),
    "wide record": lambda m: (newest(m) / "record.json").write_text(f'{{"a": {WIDE}}}'),
}


@pytest.mark.parametrize("attack", ATTACKS.values(), ids=ATTACKS)
def test_what_stands_on_the_share_is_distrusted(attack: Callable[[Made], object], hurt: Made, tmp_path: Path) -> None:
    attack(hurt)
    run_all(hurt, tmp_path)


@pytest.mark.parametrize("attack", LARGE.values(), ids=LARGE)
def test_memory_is_bounded_whatever_is_claimed(attack: Callable[[Made], object], hurt: Made, tmp_path: Path) -> None:
    attack(hurt)
    words: tuple[list[str | Path], ...] = (
        ["list"], ["cost"], ["verify", "--json"], ["restore", hurt.captures[1], tmp_path / "out.img"],
        ["capture", "--board", "shed", "--source", hurt.card],
    )  # fmt: skip
    for arguments in words:
        code, peak = measured(hurt, *arguments)
        assert code in KNOWN_CODES, arguments
        assert peak < MOST_MEMORY, (arguments, peak)


def outside(folder: Path) -> Path:
    """A folder that nobody may touch."""
    place = folder / "outside"
    place.mkdir()
    for name in ("20260101T000000Z-image-000000", "shelf.json", "0000000001.json", "a" * 20 + ".zst"):
        (place / name).write_text("mine")
    return place


def seen(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path): (path.lstat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in [folder, *sorted(folder.rglob("*"))]
    }


LINKED = [
    "boards", "boards/shed", "boards/shed/captures", "boards/shed/stock", "boards/shed/manifest", "boards/shed/busy",
    "boards/shed/unfinished", "boards/shed/trash", "boards/shed/captures/NEWEST",
    "boards/shed/captures/NEWEST/record.json",
    "boards/shed/captures/NEWEST/contents.0.tsv.zst", "boards/shed/shelf.json", "share.json", "boards/shed/stock/PART",
    "boards/shed/stock/TABLE",
]  # fmt: skip


@pytest.mark.parametrize("with_contents", [True, False], ids=["that holds it", "to something else"])
@pytest.mark.parametrize("name", LINKED)
def test_no_symbolic_link_leads_out(name: str, with_contents: bool, hurt: Made, tmp_path: Path) -> None:
    part = hurt.parts()[0].name
    name = name.replace("NEWEST", hurt.captures[1]).replace("PART", part)
    name = name.replace("TABLE", part.replace(".zst", ".table.zst"))
    place = outside(tmp_path)
    link = hurt.share / name
    target = place
    if with_contents:
        target = place / "moved"
        link.rename(target)
    elif link.is_dir():
        shutil.rmtree(link)
    else:
        link.unlink()
    link.symlink_to(target, target_is_directory=target.is_dir())
    before = seen(place)
    codes = run_all(hurt, tmp_path)
    assert seen(place) == before
    if name != "boards/shed/trash" and name != "boards/shed/unfinished":
        assert any(code not in (0, 4) for code in codes.values()), codes


@pytest.mark.parametrize(
    "name", ["captures/NEWEST/record.json", "stock/PART", "stock/TABLE", "manifest/0000000001-00000000.json"]
)
def test_a_pipe_in_place_of_a_file_stops_nobody(name: str, hurt: Made, tmp_path: Path) -> None:
    part = hurt.parts()[0].name
    name = name.replace("NEWEST", hurt.captures[1]).replace("PART", part)
    path = hurt.shelf / name.replace("TABLE", part.replace(".zst", ".table.zst"))
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    run_all(hurt, tmp_path, capture=False)


def test_strange_names_are_passed_over(hurt: Made, tmp_path: Path) -> None:
    names = [
        "con", "..%2f..", "a b", "new\nline", "20260101T000000Z-image-zzzzzz", "20260101T000000Z-image-000000\n",
        "20260101t000000z-image-000000", "20260101T000000Z-image-000000x", "-rf", "ü" * 80, "\x1b[2J",
    ]  # fmt: skip
    for folder in ("captures", "stock", "manifest", "busy", "unfinished"):
        for name in names:
            (hurt.shelf / folder / name).mkdir() if folder == "captures" else (hurt.shelf / folder / name).touch()
    (hurt.shelf / "captures" / "20260101T000000Z-image-000000").write_text("a file")
    (hurt.share / "boards" / "-rf").mkdir()
    (hurt.share / "boards" / "Über").mkdir()
    (hurt.share / "boards" / os.fsdecode(b"\xff\xfe")).mkdir()
    (hurt.shelf / "captures" / "20260101T000000Z-image-00000a").mkdir()
    codes = run_all(hurt, tmp_path, capture=False)
    assert set(codes.values()) == {0}, (codes, here(hurt.share, "list"))
