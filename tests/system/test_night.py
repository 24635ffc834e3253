"""Nights, one after the other, on a card file and a share that is a folder; at the command line."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.program import Ended, backupctl

pytestmark = pytest.mark.system

MIB = 1 << 20


@dataclass(frozen=True)
class Place:
    """A card and a share."""

    card: Path
    share: Path
    policy: Path

    def set_policy(self, text: str) -> None:
        self.policy.write_text(text)

    def night(self, *more: str, code: int | None) -> Ended:
        words = ("--source", self.card, "--board", "mill", "--policy", self.policy)
        return backupctl(self.share, "night", *words, *more, code=code)

    def capture(self) -> None:
        backupctl(self.share, "capture", "--source", self.card, "--board", "mill")

    def capture_anything(self) -> None:
        """A card of noise is read whole, which is a warning."""
        backupctl(self.share, "capture", "--source", self.card, "--board", "mill", code=4)

    def parts(self) -> list[Path]:
        return sorted(path for path in (self.share / "boards/mill/stock").iterdir() if ".table." not in path.name)


def run(program: str, *words: str | Path) -> None:
    """Runs an outside tool, which must succeed."""
    found = shutil.which(program, path=f"{os.environ['PATH']}:/usr/sbin:/sbin")
    if found is None:
        pytest.skip(f"needs {program}")
    done = subprocess.run([found, *map(str, words)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture
def place(tmp_path: Path) -> Place:
    files = tmp_path / "files"
    files.mkdir()
    for number in range(4):
        (files / f"readings-{number}").write_bytes(os.urandom(3 * MIB))
    found = Place(tmp_path / "card.img", tmp_path / "share", tmp_path / "every-night.toml")
    run("mke2fs", "-q", "-t", "ext4", "-d", files, found.card, "32M")
    found.set_policy("[night]\nverify_nights = 3\n")
    found.share.mkdir()
    backupctl(None, "share", "adopt", found.share, "--same-machine", "--board", "mill")
    return found


def steps(result: Any) -> list[tuple[str, str, int]]:
    """What came of capturing and verifying; before and after them the night makes room, and drills, which goes well."""
    share, room, *between, thin, drill = [(step["name"], step["result"], step["exit"]) for step in result["steps"]]
    assert (share, room) == (("share", "done", 0), ("room", "done", 0))
    assert (thin, drill) == (("thin", "done", 0), ("drill", "done", 0))
    return between


def test_three_nights_see_everything_once(place: Place, tmp_path: Path) -> None:
    nights = [place.night("--json", "--quiet", code=0).json for _ in range(3)]
    for number, night in enumerate(nights):
        assert steps(night) == [("capture", "done", 0), ("verify", "done", 0)]
        assert (night["board"], night["exit"]) == ("mill", 0)
        assert night["verify"]["slice"] == [number, 3]
    assert nights[0]["capture"]["written_bytes"] > 12 * MIB > nights[1]["capture"]["written_bytes"]
    listed = backupctl(place.share, "list", "--json").json
    assert [item["id"] for item in listed] == [night["capture"]["id"] for night in nights]
    # The three parts are all there is.
    everything = backupctl(place.share, "verify", "--json").json
    assert sum(night["verify"]["checked_segments"] for night in nights) == everything["checked_segments"]
    # The night's capture is rebuilt by the shell script on the share, and judged by e2fsck.
    shelf = place.share / "boards/mill"
    run("sh", shelf / "rebuild.sh", nights[2]["capture"]["id"], tmp_path / "back.img")
    run("e2fsck", "-fn", tmp_path / "back.img")


def test_a_journal_gets_each_step_and_one_line_at_the_end(place: Place) -> None:
    ended = place.night(code=0)
    lines = ended.err.splitlines()
    assert "a folder of this machine" in lines.pop(2)
    assert "is rebuilt in /var/tmp" in lines.pop(5)
    assert "are gone afterwards" in lines.pop(5)
    assert [line.split(": ")[:2] for line in lines] == [
        [name, "done"] for name in ("share", "room", "capture", "verify", "thin", "drill")
    ]
    (line,) = ended.out.splitlines()
    assert line.startswith("night of mill: all steps done; ")
    assert line.endswith(" written (code 0)")


def test_a_card_that_is_gone_does_not_keep_the_shelf_from_being_verified(place: Place) -> None:
    place.night(code=0)
    place.card.rename(place.card.with_suffix(".away"))
    ended = place.night("--json", code=2)
    assert steps(ended.json) == [("capture", "failed", 2), ("verify", "done", 0)]
    assert ended.json["capture"] is None
    assert ended.json["verify"]["slice"] == [1, 3]
    assert f"capture: failed: there is no card at {place.card}. " in ended.err
    (line,) = place.night("--quiet", code=2).out.splitlines()
    assert f"capture failed (there is no card at {place.card}); verify done; thin done; drill done (code 2)" in line


def test_no_shelf_is_made_for_a_card_that_is_not_there(place: Place) -> None:
    place.card.unlink()
    ended = backupctl(place.share, "night", "--source", place.card, "--board", "another", "--json", code=2)
    results = [(step["name"], step["exit"]) for step in ended.json["steps"]]
    assert results == [("share", 0), ("room", 0), ("capture", 2), ("verify", 2), ("thin", 2), ("drill", 2)]
    backupctl(place.share, "capture", "--source", place.card, "--board", "another", code=2)
    assert [path.name for path in (place.share / "boards").iterdir()] == ["mill"]


def test_damage_that_the_night_finds(place: Place) -> None:
    place.set_policy("[night]\nverify_nights = 1\n")
    place.night(code=0)
    place.night(code=0)  # hashes the part once more; from now on only verification looks at it
    part = max(place.parts(), key=lambda path: path.stat().st_size)
    with part.open("r+b") as file:
        file.seek(part.stat().st_size // 2)
        file.write(b"\0" * 4096)
    first = place.night("--json", code=5).json
    assert steps(first) == [("capture", "done", 0), ("verify", "failed", 5)]
    assert first["verify"]["damaged_segments"] in (1, 2)  # 4 KiB may lie across a border
    # The card still holds what was damaged: the next capture writes it anew, for all three captures.
    second = place.night("--json", code=None).json
    assert steps(second)[0] == ("capture", "done", 0)
    assert len(second["capture"]["healed"]) == 3
    assert second["verify"]["damaged_captures"] == []


def test_nothing_is_read_back_where_the_policy_says_so(place: Place) -> None:
    place.set_policy("[night]\nverify_nights = 0\n")
    ended = place.night("--json", code=0).json
    assert (steps(ended)[1], ended["verify"]) == (("verify", "off", 0), None)


@pytest.mark.parametrize("value", ["-1", "1001", '"often"', "2.5"])
def test_a_policy_that_cannot_be(place: Place, value: str) -> None:
    place.set_policy(f"[night]\nverify_nights = {value}\n")
    assert "verify_nights is " in place.night(code=2).err


_ONE_A_DAY = '[night]\nverify_nights = 0\ndrill = "never"\n[retention]\neverything_for = 0\nminimum = 1\n'


def test_the_night_thins(place: Place) -> None:
    """Of captures within minutes the policy keeps one for the day, and a thinning of more than so many waits."""
    place.set_policy(f"{_ONE_A_DAY}max_removals = 2\n")
    for _ in range(3):
        place.capture()
    ended = place.night("--json", code=4).json
    assert [step["exit"] for step in ended["steps"]] == [0, 0, 0, 0, 4, 0]
    assert not ended["thin"]["removed"]
    assert len(backupctl(place.share, "list", "--json").json) == 4
    thinned = backupctl(place.share, "thin", "--policy", place.policy, "--yes", "--all", "--json").json
    assert [item["action"] for item in thinned] == ["goes", "goes", "goes", "stays"]
    ended = place.night("--json", code=0).json
    assert len(ended["thin"]["removed"]) == 1
    assert len(backupctl(place.share, "list", "--json").json) == 1


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Place]:
    """As `place`, on a share with room for two captures of the card at most."""
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount")
    found = Place(tmp_path / "card.img", tmp_path / "share", tmp_path / "policy.toml")
    found.card.write_bytes(os.urandom(16 * MIB))
    found.share.mkdir()
    run("mount", "-t", "tmpfs", "-o", "size=128M", "share", found.share)
    try:
        backupctl(None, "share", "adopt", found.share, "--same-machine", "--board", "mill")
        yield found
    finally:
        run("umount", found.share)


def fill_up_to(share: Path, left: int) -> None:
    filler = share / "of others"
    filler.unlink(missing_ok=True)
    found = os.statvfs(share)
    filler.write_bytes(bytes(found.f_bavail * found.f_frsize - left))


def test_a_night_that_begins_with_little_room_thins_first(small: Place) -> None:
    small.capture_anything()
    small.capture_anything()
    small.set_policy(_ONE_A_DAY)
    fill_up_to(small.share, 66 * MIB)  # enough, so that nothing but the capture's own thinning follows
    ended = small.night("--json", code=None).json
    assert "free, about" in next(step for step in ended["steps"] if step["name"] == "room")["said"]
    assert len(ended["thin"]["removed"]) == 2
    fill_up_to(small.share, 20 * MIB)
    ended = small.night("--json", code=None).json
    # Preflight refuses the capture, and retention goes on.
    results = {step["name"]: step["exit"] for step in ended["steps"]}
    assert (results["room"], results["capture"], results["thin"]) == (0, 3, 0)
    assert ended["room"]["expected_bytes"] > 0  # of what the night before has moved into the trash


def test_what_the_last_run_wrote_is_hashed_before_an_older_capture_makes_room(small: Place) -> None:
    small.capture_anything()
    before = set(small.parts())
    small.card.write_bytes(os.urandom(16 * MIB))
    small.capture_anything()
    # The server has lost power since, and has other bytes under the right name and size.
    part = max(set(small.parts()) - before, key=lambda path: path.stat().st_size)
    part.write_bytes(bytes(part.stat().st_size))
    small.set_policy(_ONE_A_DAY)
    fill_up_to(small.share, 20 * MIB)
    ended = small.night("--json", code=3).json
    room = next(step for step in ended["steps"] if step["name"] == "room")
    assert (room["result"], ended["room"]["removed"]) == ("warnings", [])
    assert f"part {part.name.partition('.')[0]} is not what was written" in room["said"]
    states = [item["state"] for item in backupctl(small.share, "list", "--json", code=None).json]
    assert states == ["good", "damaged"]
