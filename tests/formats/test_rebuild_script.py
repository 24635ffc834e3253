"""`rebuild.sh` on shelves made by hand: with dash and with busybox, and nothing on the PATH that it does not name."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

import backupctl.share
from tests.formats.hand_made_shelf import CAPTURE, SHELF, HandMadeShelf, noise, zstd

pytestmark = pytest.mark.formats

SCRIPT = Path(backupctl.share.__file__).with_name("rebuild.sh")
TOOLS = ("dd", "awk", "mkdir", "mv", "rm", "cat")
FIRST, SECOND = "0123456789abcdef0123", "fedcba9876543210fedc"

Rebuild = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(params=["dash", "busybox"])
def rebuild(request: pytest.FixtureRequest, tmp_path: Path) -> Rebuild:
    """Runs the script from the shelf's folder; OUTPUT is `card.img` in a folder of its own."""
    for tool in (request.param, "zstd"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    path = tmp_path / "path"
    path.mkdir()
    shell = [str(shutil.which(request.param))]
    for tool in (*TOOLS, "zstd"):
        busybox = request.param == "busybox" and tool != "zstd"
        (path / tool).symlink_to(str(shutil.which("busybox" if busybox else tool)))
    if request.param == "busybox":
        shell.append("sh")
    output = tmp_path / "out" / "card.img"
    output.parent.mkdir()

    def run(
        shelf: HandMadeShelf, *options: str, capture: str = f"captures/{CAPTURE}"
    ) -> subprocess.CompletedProcess[str]:
        script = shelf.folder / "rebuild.sh"
        shutil.copyfile(SCRIPT, script)
        command = [*shell, "rebuild.sh", *options, capture, str(output)]
        return subprocess.run(
            command, cwd=shelf.folder, env={"PATH": str(path)}, capture_output=True, text=True, timeout=120, check=False
        )

    return run


@pytest.fixture
def shelf(tmp_path: Path) -> HandMadeShelf:
    return HandMadeShelf(tmp_path / "a shelf; with $(odd) name")


@pytest.fixture
def output(tmp_path: Path) -> Path:
    return tmp_path / "out" / "card.img"


def small_capture(shelf: HandMadeShelf) -> bytes:
    """Three segments in one part, one used twice, at offsets that are no multiples of anything; the whole stream."""
    one, two, three = noise(70_001, 1), b"text " * 9_000, noise(13, 3)
    shelf.add_part(FIRST, [one, two, three])
    lines = [
        shelf.line(7, one),
        shelf.line(80_000, two),
        "130000\t5000\tzero\t-",
        shelf.line(135_000, three),
        shelf.line(200_001, one),
    ]
    shelf.write_contents(400_003, lines)
    stream = bytearray(400_003)
    for offset, segment in ((7, one), (80_000, two), (135_000, three), (200_001, one)):
        stream[offset : offset + len(segment)] = segment
    return bytes(stream)


def assert_refused(done: subprocess.CompletedProcess[str], output: Path, says: str, code: int = 1) -> None:
    assert (done.returncode, says in done.stderr) == (code, True), done.stderr
    assert list(output.parent.iterdir()) == [], "something was left behind"


@pytest.mark.parametrize("hash_name", ["xxh3-128", "sha256"])
def test_a_capture_comes_back(rebuild: Rebuild, tmp_path: Path, output: Path, hash_name: str) -> None:
    shelf = HandMadeShelf(tmp_path / "shelf", hash_name)
    stream = small_capture(shelf)
    done = rebuild(shelf)
    assert done.returncode == 0, done.stderr
    assert output.read_bytes() == stream
    assert [path.name for path in output.parent.iterdir()] == ["card.img"]
    assert output.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("named", [CAPTURE, f"captures/{CAPTURE}/", f"./captures/{CAPTURE}"])
def test_a_capture_is_found_by_name_and_by_folder(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path, named: str
) -> None:
    stream = small_capture(shelf)
    assert rebuild(shelf, capture=named).returncode == 0
    assert output.read_bytes() == stream


def test_free_space_beyond_32_bits_is_a_hole(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    segment = noise(1000, 1)
    at, size = (6 << 30) + 11, (9 << 30) + 5
    shelf.add_part(FIRST, [segment])
    shelf.write_contents(size, [shelf.line(at, segment)])
    done = rebuild(shelf)
    assert done.returncode == 0, done.stderr
    assert output.stat().st_size == size
    assert output.stat().st_blocks * 512 < 1 << 20
    with output.open("rb") as file:
        file.seek(at - 1)
        assert file.read(1002) == b"\0" + segment + b"\0"


def test_an_empty_stream_is_an_empty_file(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    shelf.write_contents(0, [])
    assert rebuild(shelf).returncode == 0
    assert output.read_bytes() == b""


def test_many_segments(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    """20 000 lines, and as many rows in the table; few have bytes, so that it stays quick."""
    segments = [noise(512, seed) for seed in range(50)]
    rows = shelf.add_part(FIRST, segments)
    others = [f"{i:032x}\t{i:064x}\t{(i + 1) * 512}\t512\t512" for i in range(20_000)]
    shelf.write_table(FIRST, [*others, *(f"{h}\t{0:064x}\t{o}\t{s}\t{n}" for h, o, s, n in rows)])
    stride = 4096
    lines = [
        shelf.line(i * stride, segments[i // 400]) if i % 400 == 0 else f"{i * stride}\t512\tzero\t-"
        for i in range(20_000)
    ]
    shelf.write_contents(20_000 * stride, lines)
    done = rebuild(shelf)
    assert done.returncode == 0, done.stderr
    with output.open("rb") as file:
        for number, segment in enumerate(segments):
            file.seek(number * 400 * stride)
            assert file.read(513) == segment + b"\0"


def test_a_second_copy_stands_in_for_a_damaged_one(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    stream = small_capture(shelf)
    shelf.add_part(SECOND, [b"text " * 9_000, noise(70_001, 1), noise(13, 3)])
    for part in (FIRST, SECOND):
        path = shelf.stock / f"{part}.zst"
        whole = path.read_bytes()
        path.write_bytes(whole[:600] + bytes([whole[600] ^ 1]) + whole[601:])
    done = rebuild(shelf)
    assert done.returncode == 0, done.stderr
    assert f"byte 7 is damaged in part {FIRST}" in done.stderr
    assert SECOND not in done.stderr
    assert output.read_bytes() == stream


def test_a_segment_of_another_length_is_not_taken(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    """A frame that is intact, but longer or shorter than the contents say."""
    wanted = noise(5000, 1)
    for other in (noise(4999, 2), noise(5001, 2), noise(500_000, 2), bytes(64 << 20)):
        ((_, offset, stored, _),) = shelf.add_part(FIRST, [other])
        shelf.write_table(FIRST, [f"{shelf.hash(wanted)}\t{0:064x}\t{offset}\t{stored}\t5000"])
        shelf.write_contents(9000, [shelf.line(100, wanted)])
        assert_refused(rebuild(shelf), output, f"lost: 5000 bytes at byte 100, hash {shelf.hash(wanted)}")


def test_parts_that_changed_names_are_left_out(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    """Frames of noise are all of one length: every place would lead to an intact frame of the right length."""
    wanted = noise(5000, 1)
    shelf.add_part(FIRST, [wanted])
    shelf.write_contents(5000, [shelf.line(0, wanted)])
    other = HandMadeShelf(shelf.folder / "other")
    other.add_part(SECOND, [noise(5000, 2)])
    shutil.copyfile(other.stock / f"{SECOND}.zst", shelf.stock / f"{FIRST}.zst")
    assert_refused(rebuild(shelf), output, f"part {FIRST} does not begin as it should")


@pytest.mark.parametrize("cut", [700, 512, 100, 0])
def test_a_truncated_part_loses_what_stood_behind(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path, cut: int
) -> None:
    small_capture(shelf)
    path = shelf.stock / f"{FIRST}.zst"
    path.write_bytes(path.read_bytes()[:cut])
    assert_refused(rebuild(shelf), output, f"lost: 70001 bytes at byte 7, hash {shelf.hash(noise(70_001, 1))}")


def test_missing_parts_are_all_said_before_anything_is_written(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path
) -> None:
    small_capture(shelf)
    (shelf.stock / f"{FIRST}.zst").unlink()
    done = rebuild(shelf)
    assert_refused(done, output, "4 segments stand in no part of this shelf")
    assert f"13 bytes at byte 135000, hash {shelf.hash(noise(13, 3))}" in done.stderr


def test_what_is_lost_is_zeros_if_asked_for(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    stream = bytearray(small_capture(shelf))
    path = shelf.stock / f"{FIRST}.zst"
    whole = path.read_bytes()
    path.write_bytes(whole[:600] + bytes([whole[600] ^ 1]) + whole[601:])
    done = rebuild(shelf, "--anyway")
    for offset in (7, 200_001):
        stream[offset : offset + 70_001] = bytes(70_001)
    assert done.returncode == 7, done.stderr
    assert output.read_bytes() == stream


def test_what_the_card_did_not_give_is_zeros_with_a_warning(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path
) -> None:
    half = noise(1000, 1) + bytes(1000)
    shelf.add_part(FIRST, [half])
    shelf.write_contents(9000, [shelf.line(0, half, "unreadable"), "4000\t2000\tunreadable\t-"])
    done = rebuild(shelf)
    assert done.returncode == 7
    assert "2000 bytes at byte 0: some of them could not be read" in done.stderr
    assert "2000 bytes at byte 4000: they could not be read" in done.stderr
    assert output.read_bytes() == half + bytes(7000)


def test_a_cut_table_is_said_and_its_rows_still_used(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    segment = noise(5000, 1)
    ((hash, offset, stored, length),) = shelf.add_part(FIRST, [segment])
    shelf.write_table(FIRST, [f"{hash}\t{0:064x}\t{offset}\t{stored}\t{length}"], end=False)
    shelf.write_contents(5000, [shelf.line(0, segment)])
    done = rebuild(shelf)
    assert (done.returncode, f"the table of part {FIRST}, line 2: cut off" in done.stderr) == (0, True)
    assert output.read_bytes() == segment


def test_a_capture_without_a_record_does_not_exist(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    stream = small_capture(shelf)
    (shelf.capture / "record.json").unlink()
    assert_refused(rebuild(shelf), output, "was never finished")
    done = rebuild(shelf, "--anyway")
    assert (done.returncode, output.read_bytes() == stream) == (0, True)


@pytest.mark.parametrize("kind", ["file", "folder", "dangling link"])
def test_what_exists_is_left_alone(rebuild: Rebuild, shelf: HandMadeShelf, output: Path, kind: str) -> None:
    small_capture(shelf)
    if kind == "file":
        output.write_text("precious")
    elif kind == "folder":
        output.mkdir()
    else:
        output.symlink_to("nowhere")
    done = rebuild(shelf)
    assert (done.returncode, "exists; nothing was done" in done.stderr) == (1, True)
    assert [path.name for path in output.parent.iterdir()] == ["card.img"]
    assert kind != "file" or output.read_text() == "precious"


@pytest.mark.parametrize("options", [["--anyway"], ["a", "b"]])
def test_wrong_usage(rebuild: Rebuild, shelf: HandMadeShelf, output: Path, options: list[str]) -> None:
    done = rebuild(shelf, *options, capture="") if options == ["--anyway"] else rebuild(shelf, *options)
    assert_refused(done, output, "usage: sh rebuild.sh", code=2)


GOOD = "0\t5000\tdata\t" + "ab" * 16
HEADER = f"#backupctl contents\t1\t{SHELF}\t{CAPTURE}\t0\txxh3-128\t"


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        pytest.param([GOOD.replace("ab" * 16, "$(touch pwned)")], "not a hash", id="command as hash"),
        pytest.param([GOOD.replace("data", "data;touch pwned")], "not a state", id="command as state"),
        pytest.param([GOOD.replace("5000", "`touch pwned`")], "not offset", id="command as length"),
        pytest.param([GOOD.replace("ab" * 16, "../" * 10 + "ab")], "not a hash", id="path as hash"),
        pytest.param([GOOD.replace("ab", "AB")], "not a hash", id="upper case"),
        pytest.param([GOOD + "ab"], "not a hash", id="longer hash"),
        pytest.param([GOOD + "\tmore"], "not offset", id="more fields"),
        pytest.param(["-1" + GOOD[1:]], "not offset", id="negative offset"),
        pytest.param([GOOD.replace("5000", "-5")], "not offset", id="negative length"),
        pytest.param([GOOD.replace("5000", "1e3")], "not offset", id="exponent"),
        pytest.param([GOOD.replace("5000", "0x10")], "not offset", id="hexadecimal"),
        pytest.param([GOOD.replace("5000", "9" * 15)], "beyond the end", id="huge length"),
        pytest.param(["9" * 40 + GOOD[1:]], "not offset", id="huge offset"),
        pytest.param([GOOD.replace("5000", "0")], "is empty", id="empty"),
        pytest.param([GOOD, GOOD], "overlaps", id="overlap"),
        pytest.param(["8999" + GOOD[1:]], "beyond the end", id="beyond the end"),
        pytest.param(["0\t5\tzero\t" + "ab" * 16], "not a hash", id="zero with a hash"),
        pytest.param(["0\t5\tdata\t-"], "not a hash", id="data without a hash"),
        pytest.param([""], "not offset", id="empty line"),
    ],
)
def test_contents_that_are_not_contents(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path, lines: list[str], says: str
) -> None:
    shelf.write_contents(9000, lines)
    assert_refused(rebuild(shelf), output, says)
    assert not list(output.parent.parent.rglob("pwned"))


@pytest.mark.parametrize(
    ("header", "says"),
    [
        pytest.param(HEADER.replace("\t1\t", "\t2\t") + "9000", "not of format 1", id="format 2"),
        pytest.param(HEADER.replace(CAPTURE, CAPTURE[:-1] + "d") + "9000", "of another capture", id="other capture"),
        pytest.param(HEADER.replace("xxh3-128", "md5") + "9000", "not understood", id="other hash"),
        pytest.param(HEADER + "9" * 16, "not understood", id="endless"),
        pytest.param(HEADER + "-1", "not understood", id="negative"),
        pytest.param(
            HEADER.replace(SHELF, "$(touch pwned) x") + "9000", "not the id of a shelf", id="command as shelf"
        ),
        pytest.param("something else", "no contents file", id="something else"),
        pytest.param("", "no contents file", id="nothing"),
    ],
)
def test_headers_that_are_not_headers(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path, header: str, says: str
) -> None:
    shelf.write_contents(0, [], header=header)
    assert_refused(rebuild(shelf), output, says)


def test_contents_that_were_cut(rebuild: Rebuild, shelf: HandMadeShelf, output: Path) -> None:
    small_capture(shelf)
    path = shelf.capture / "contents.0.tsv.zst"
    path.write_bytes(path.read_bytes()[:-9])
    assert_refused(rebuild(shelf), output, "damaged or cut off")
    shelf.write_contents(9000, [GOOD], end=False)
    assert_refused(rebuild(shelf), output, "there is no #end")
    shelf.write_contents(9000, [GOOD], count=2)
    assert_refused(rebuild(shelf), output, "#end does not count 1 segments")
    path.write_bytes(zstd(b""))
    assert_refused(rebuild(shelf), output, "there is no #end")
    path.unlink()
    assert_refused(rebuild(shelf), output, "has no contents.0.tsv.zst")


ROW = "ab" * 16 + "\t" + "0" * 64 + "\t512\t512\t5000"


@pytest.mark.parametrize(
    "row",
    [
        ROW.replace("512\t512", "$(touch pwned)\t512"),
        ROW.replace("512\t512", "-512\t512"),
        ROW.replace("512\t512", "513\t512"),
        ROW.replace("512\t512", "512\t0"),
        ROW.replace("512\t512", "9" * 30 + "\t512"),
        ROW.replace("5000", "5000\t../../x"),
        ROW.replace("ab", "a;"),
    ],
)
def test_rows_that_are_not_rows(rebuild: Rebuild, shelf: HandMadeShelf, output: Path, row: str) -> None:
    shelf.add_part(FIRST, [noise(5000, 1)])
    shelf.write_table(FIRST, [row])
    shelf.write_contents(9000, [GOOD])
    done = rebuild(shelf)
    assert_refused(done, output, f"the table of part {FIRST}, line 2: not ")
    assert not list(output.parent.parent.rglob("pwned"))


def test_names_in_the_stock_that_are_no_parts(
    rebuild: Rebuild, shelf: HandMadeShelf, output: Path, tmp_path: Path
) -> None:
    """None of them is opened: each would stop the script, or lead it out of the shelf."""
    stream = small_capture(shelf)
    for name in ("$(touch pwned)", "-x", "a b", "*", "0123", FIRST.upper()):
        shelf.write_table(name, [ROW])
        (shelf.stock / f"{name}.zst").write_bytes(b"")
    outside = tmp_path / "outside"
    outside.write_bytes(b"secret")
    linked = "1" * 20
    (shelf.stock / f"{linked}.table.zst").symlink_to(outside)
    (shelf.stock / f"{linked}.zst").symlink_to(outside)
    shelf.write_table("2" * 20, [ROW], header=f"#backupctl table\t1\t{SHELF}\t../../../outside\txxh3-128")
    (shelf.stock / f"{'2' * 20}.zst").write_bytes(shelf.head("2" * 20))
    before = sorted(str(path) for path in tmp_path.rglob("*"))
    done = rebuild(shelf)
    assert done.returncode == 0, done.stderr
    assert "another part" in done.stderr
    assert output.read_bytes() == stream
    after = sorted(str(path) for path in tmp_path.rglob("*"))
    assert [path for path in after if path not in before] == sorted([str(output), str(shelf.folder / "rebuild.sh")])


@pytest.mark.parametrize("name", ["../../etc", "captures/..", "captures/$(touch pwned)", "-anyway", "."])
def test_names_that_are_no_captures(rebuild: Rebuild, shelf: HandMadeShelf, output: Path, name: str) -> None:
    small_capture(shelf)
    done = rebuild(shelf, capture=name)
    assert done.returncode in (1, 2)
    assert list(output.parent.iterdir()) == []
    assert not list(output.parent.parent.rglob("pwned"))
