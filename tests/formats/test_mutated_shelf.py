"""Every small file of a shelf, changed at random: no error of the program, no other byte with exit code 0."""

from __future__ import annotations

import filecmp
import json
import random
import re
from pathlib import Path

import pytest

from tests.program import here
from tests.shelf_of_card import Made, pack, resealed, resealed_json, unpacked

pytestmark = pytest.mark.formats
ODD = (
    "", "-1", "0", "1", "511", "1048577", str(1 << 31), str(1 << 32), str(1 << 63), str(1 << 64), "9" * 400, "1e999",
    "../../etc", "a\u0000b", "-", " ", "data", "zero", "unreadable", "0" * 32, "f" * 64, "\u202e", "null", "#end",
)  # fmt: skip
ODD_VALUES: tuple[object, ...] = (
    *ODD,
    None,
    True,
    -1,
    1.5,
    1 << 63,
    1 << 64,
    [],
    {},
    [[]],
    [{}],
    {"": {}},
    [1, 2],
    [[5, 1]],
    ["x"],
)
PART = re.compile(r"[0-9a-f]{20}\.zst")
ROUNDS = 60


def small_files(made: Made) -> list[Path]:
    """All but parts and ballast; those that a commit rests on come several times."""
    found = [path for path in made.share.rglob("*") if path.is_file() and path.stat().st_size < 1 << 18]
    found = [path for path in found if path.suffix in (".json", ".zst")]
    return sorted(found) + 3 * [path for path in found if "captures" in path.parts or path.name.endswith(".table.zst")]


def bytes_changed(text: bytes, rng: random.Random) -> bytes:
    data = bytearray(text)
    for _ in range(rng.choice((1, 1, 3, 20))):
        at = rng.randrange(len(data))
        match rng.randrange(5):
            case 0:
                data[at] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + rng.choice((1, 7, 10_000))]
            case 2:
                data[at:at] = data[max(0, at - 40) : at]
            case 3:
                data[at : at + 1] = rng.choice(ODD).encode()
            case 4:
                data = data[:at] or data
        if not data:
            break
    return bytes(data)


def field_changed(text: str, rng: random.Random) -> str:
    """One field of one line of a table or contents, or a whole line."""
    lines = text.splitlines(keepends=True)
    at = rng.randrange(len(lines))
    match rng.randrange(4):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, lines[rng.randrange(len(lines))])
        case _:
            fields = lines[at].rstrip("\n").split("\t")
            other = lines[rng.randrange(len(lines))].rstrip("\n").split("\t")
            fields[rng.randrange(len(fields))] = rng.choice((*ODD, *other))
            lines[at] = "\t".join(fields) + "\n"
    return "".join(lines) or "\n"


def value_changed(value: object, rng: random.Random) -> object:
    """One value within a JSON value."""
    if isinstance(value, dict) and value and rng.random() < 0.9:
        key = rng.choice(list(value))
        return value | {key: value_changed(value[key], rng)}
    if isinstance(value, list) and value and rng.random() < 0.8:
        at = rng.randrange(len(value))
        return [*value[:at], value_changed(value[at], rng), *value[at + 1 :]]
    return rng.choice(ODD_VALUES)


def mutate(path: Path, rng: random.Random) -> None:
    """Any bytes, or something that was altered with care: its checksums are right again."""
    whole = path.read_bytes()
    if rng.random() < 0.4 or PART.fullmatch(path.name):
        path.write_bytes(bytes_changed(whole, rng))
    elif path.name.endswith((".table.zst", ".tsv.zst")):
        pack(path, resealed(field_changed(unpacked(path), rng)))
    else:
        changed = json.dumps(value_changed(json.loads(whole), rng), indent=2)
        path.write_text(resealed_json(changed) if ',\n  "checksum": "' in changed else changed)


@pytest.mark.parametrize("seed", range(2))
def test_no_mutation_is_believed(seed: int, hurt: Made, tmp_path: Path) -> None:
    rng = random.Random(seed)
    files = small_files(hurt)
    manifest = hurt.shelf / "manifest"
    events = set(manifest.iterdir())
    out = tmp_path / "out.img"
    codes: dict[int, int] = {}
    for _ in range(ROUNDS):
        path = rng.choice(files)
        whole = path.read_bytes()
        mutate(path, rng)
        which = rng.randrange(2)
        words: tuple[list[str | Path], ...] = (
            ["list"], ["show", "newest"], ["runs"], ["verify"], ["restore", hurt.captures[which], out]
        )  # fmt: skip
        for arguments in words:
            ended = here(hurt.share, *arguments)
            told = (path.name, arguments, ended, path.read_bytes()[:3000])
            assert ended.code in (0, 1, 2, 3, 4, 5), told
            assert "Traceback" not in ended.err, told
            codes[ended.code] = codes.get(ended.code, 0) + 1
        assert out.exists() == (ended.code == 0)
        if out.exists():
            assert filecmp.cmp(out, hurt.states[which], shallow=False), told
            out.unlink()
        path.write_bytes(whole)
        for event in set(manifest.iterdir()) - events:
            event.unlink()
    assert codes[0] > ROUNDS, codes
    assert codes[5] > ROUNDS / 4, codes
    assert [item.name for item in tmp_path.iterdir()] == ["share"]
