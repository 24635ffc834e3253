"""The whole job on a card that is a file and a share that is a folder: for seeing it, and as a check of a machine."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from backupctl.board.card_file import FileReader
from backupctl.domain.errors import BackupctlError, Damaged, Refused
from backupctl.domain.policy import Policy
from backupctl.domain.ranges import Ranges
from backupctl.domain.units import size
from backupctl.operations.capturing.capture import CaptureOptions, capture
from backupctl.operations.card_map import read_card_map
from backupctl.operations.demo_card import (
    CARD_BYTES,
    MIB,
    Board,
    check_file_systems,
    check_files,
    invent,
    make_card,
    need_programs,
    one_day_later,
)
from backupctl.operations.facts import Facts
from backupctl.operations.listing import list_all, show
from backupctl.operations.progress import Reporter, Stop
from backupctl.operations.proving.drill import DrillOptions, drill
from backupctl.operations.proving.verify import VerifyOptions, verify
from backupctl.operations.restoring.restore import restore_to_file
from backupctl.operations.shares.adopt import adopt
from backupctl.share.shelf import open_shelf

BOARD = "greenhouse"
_FIRST, _SECOND = "monday", "tuesday"
_CARD, _CARD_BEFORE = "card.img", "card-on-monday.img"
_ROOM_BYTES = 640 * MIB  # what it takes while it runs, measured: 400 MiB


def demo(folder: Path, keep: bool, facts: Facts, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """Runs the job in `folder`; the object that `demo --json` prints. A step that ends is told as a note at once.

    Raises Refused (a folder in use, programs or room that are missing), and whatever a step raises.
    """
    need_programs()
    _make_folder(folder)
    facts = replace(facts, state_folder=folder / "state")  # nothing is left outside the folder
    run = _Demo(folder, Board(folder), facts, reporter, stop)
    steps = [run.step(what, do) for what, do in _STEPS]
    shutil.rmtree(folder / "files")
    if not keep:
        shutil.rmtree(folder)
    return {
        "folder": str(folder),
        "kept": keep,
        "captures": run.captures,
        "steps": steps,
        "seconds": round(sum(step["seconds"] for step in steps), 2),
        "try": _to_try(folder) if keep else [],
    }


def _make_folder(folder: Path) -> None:
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise Refused(f"{folder} is no folder", "Say --folder DIR: one that is not there yet.")
    if folder.is_dir() and any(folder.iterdir()):
        raise Refused(
            f"{folder} is there, and not empty",
            "If it is from an earlier demo, remove it. Or say --folder DIR: one that is not there yet.",
        )
    if not folder.parent.is_dir():
        raise Refused(f"there is no folder {folder.parent}", "Make it first, or say another --folder.")
    free = shutil.disk_usage(folder.parent).free
    if free < _ROOM_BYTES:
        raise Refused(
            f"{folder.parent} has {size(free)} free, and the demo takes up to {size(_ROOM_BYTES)}",
            "Say --folder DIR: one where there is more room.",
        )
    try:
        folder.mkdir(exist_ok=True)
        (folder / "files").mkdir()
    except OSError as error:
        raise Refused(
            f"{folder} cannot be made: {error.strerror}", "Say --folder DIR: one that you may write."
        ) from None


@dataclass
class _Demo:
    """A demo under way. Each step returns what came of it in a few words, and the bytes that it is about."""

    folder: Path
    board: Board
    facts: Facts
    reporter: Reporter
    stop: Stop
    captures: list[str] = field(default_factory=list)

    @property
    def share(self) -> Path:
        return self.folder / "share"

    def step(self, what: str, do: Callable[[_Demo], tuple[str, int]]) -> dict[str, Any]:
        self.stop.check()
        began = time.monotonic()
        outcome, count = do(self)
        seconds = time.monotonic() - began
        self.reporter.note(f"{what}: {outcome} ({seconds:.1f} s)")
        return {"what": what, "outcome": outcome, "seconds": round(seconds, 2), "bytes": count}

    def make_card(self) -> tuple[str, int]:
        invent(self.board)
        make_card(self.board, _CARD)
        self.board.run("cp", "--sparse=always", _CARD, _CARD_BEFORE)
        return f"{size(CARD_BYTES)}, {self.board.count()} files on two partitions", CARD_BYTES

    def adopt(self) -> tuple[str, int]:
        self.share.mkdir()
        adopt(self.share, BOARD, True, Policy(), self.facts)
        return f"a folder of this machine, with a shelf of {BOARD}", 0

    def first_capture(self) -> tuple[str, int]:
        return self._capture(_FIRST)

    def second_capture(self) -> tuple[str, int]:
        return self._capture(_SECOND)

    def _capture(self, label: str) -> tuple[str, int]:
        options = CaptureOptions(self.folder / _CARD, Policy(), label=label)
        result = capture(open_shelf(self.share, BOARD), options, self.facts, self.reporter, self.stop)
        self.captures.append(result["id"])
        written = result["written_bytes"]
        return f"{size(result['in_use_bytes'])} in use, {size(written)} written", written

    def change_card(self) -> tuple[str, int]:
        return f"{one_day_later(self.board, _CARD)} files added, changed or removed", 0

    def list(self) -> tuple[str, int]:
        found = list_all(self.share, BOARD, self.facts.now())
        if found["problems"]:
            raise Damaged("; ".join(found["problems"]))
        written = sum(item["written_bytes"] for item in found["captures"])
        return f"{len(found['captures'])} captures, each complete", written

    def verify(self) -> tuple[str, int]:
        shelf = open_shelf(self.share, BOARD)
        result = verify(shelf, VerifyOptions(thorough=True), self.facts, self.reporter, self.stop)
        if result["whole_captures"] != self.captures or result["damaged_segments"]:
            raise Damaged(
                "the share does not give back what was written to it", f"See: backupctl verify --share {self.share}"
            )
        return f"{result['checked_segments']} segments read back, all intact", result["checked_bytes"]

    def drill(self) -> tuple[str, int]:
        options = DrillOptions(_SECOND, scratch=self.folder)
        result = drill(open_shelf(self.share, BOARD), options, self.facts, self.reporter, self.stop)
        if not result["passed"]:
            raise Damaged(
                "; ".join([*result["wrong"], *result["not_checked"]]), f"See: backupctl drill --share {self.share}"
            )
        return "its file systems, kernel, init and mounts are in order", CARD_BYTES

    def restore(self) -> tuple[str, int]:
        target = self.folder / "restored.img"
        shelf = open_shelf(self.share, BOARD)
        restore_to_file(shelf, _SECOND, None, target, False, self.facts, self.reporter, self.stop)
        return f"the newest capture, to {target.name}", CARD_BYTES

    def compare_restored(self) -> tuple[str, int]:
        check_files(self.board, "restored.img")
        return self._compare(_CARD, "restored.img", self.captures[1])

    def rebuild(self) -> tuple[str, int]:
        script = f"share/boards/{BOARD}/rebuild.sh"
        self.board.run("sh", script, self.captures[0], "rebuilt.img")
        return "to rebuilt.img, by the shell script on the share", CARD_BYTES

    def compare_rebuilt(self) -> tuple[str, int]:
        return self._compare(_CARD_BEFORE, "rebuilt.img", self.captures[0])

    def _compare(self, card: str, restored: str, id: str) -> tuple[str, int]:
        check_file_systems(self.board, restored)
        record = show(self.share, BOARD, id, None, self.facts.now())["record"]
        zeroed = Ranges((start, end) for start, end in record["zeroed"])
        with FileReader(self.folder / card) as before, FileReader(self.folder / restored) as after:
            if before.size != after.size:
                raise BackupctlError(f"{restored} has {after.size} bytes, and the card {before.size}")
            in_use = read_card_map(before, None).free.inverted(0, before.size)
            for ranges, same in ((in_use - zeroed, before.read_at), (zeroed, lambda _, length: bytes(length))):
                for start, end in ranges:
                    for at in range(start, end, MIB):
                        length = min(MIB, end - at)
                        if after.read_at(at, length) != same(at, length):
                            raise BackupctlError(f"{restored} is not as the card was, somewhere from byte {at} on")
        return f"all {size(in_use.total)} in use are equal, file systems clean", in_use.total


_STEPS: tuple[tuple[str, Callable[[_Demo], tuple[str, int]]], ...] = (
    ("make a card", _Demo.make_card),
    ("adopt a share", _Demo.adopt),
    (f"capture {_FIRST}", _Demo.first_capture),
    ("a day goes by", _Demo.change_card),
    (f"capture {_SECOND}", _Demo.second_capture),
    ("list", _Demo.list),
    ("verify", _Demo.verify),
    (f"drill {_SECOND}", _Demo.drill),
    (f"restore {_SECOND}", _Demo.restore),
    (f"compare {_SECOND}", _Demo.compare_restored),
    (f"rebuild {_FIRST}", _Demo.rebuild),
    (f"compare {_FIRST}", _Demo.compare_rebuilt),
)


def _to_try(folder: Path) -> list[list[str]]:
    """Arguments of commands that work on what the demo leaves."""
    share = ("--share", str(folder / "share"))
    return [
        ["list", *share],
        ["show", "newest", *share],
        ["runs", *share],
        ["verify", *share],
        ["drill", *share],
        ["restore", _FIRST, str(folder / "again.img"), *share],
        ["pick", "newest", "/boot/config.txt", "-", *share],
        ["pick", "--when-changed", "/etc", *share],
        ["sheet", *share],
        ["night", "--source", str(folder / _CARD), "--board", BOARD, *share],
    ]
