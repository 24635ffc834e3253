"""Behind `scripts/rig`."""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import time
from pathlib import Path

from tests.rig import recipe
from tests.rig.board import Board, Disk, RigFailed

SHARE_BYTES = 2 << 30
_IN_BOARD = "board:"


def main() -> int:
    chosen = _arguments()
    folder = recipe.cache_folder() / "boards" / chosen.name
    board = Board(folder)
    try:
        match chosen.command:
            case "build":
                print(recipe.card())
            case "start":
                _start(board, chosen.snapshot, chosen.card)
            case "run":
                # Joined as a shell would see them: one word is a line of shell.
                return _run(board, " ".join(chosen.words), chosen.seconds)
            case "copy":
                _copy(board, chosen.source, chosen.target)
            case "stop" | "park":
                if board.running():
                    board.power_off()
                if chosen.command == "stop":
                    shutil.rmtree(folder, ignore_errors=True)
            case "kill":
                board.kill()
    except (RigFailed, OSError, subprocess.CalledProcessError) as error:
        print(f"rig: {error}", file=sys.stderr)
        return 1
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/rig", description="A virtual board that the program runs on.")
    parser.add_argument("--name", default="default", help="of the board, where there are several")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("build", help="build the card that boards start from, if it is not there yet")
    start = commands.add_parser("start", help="boot a board, put this checkout's program in, mount its share")
    start.add_argument("--snapshot", action="store_true", help="what it writes to its disks is thrown away")
    start.add_argument("--card", type=Path, help="boot this card file, as it is, in place of the board's own")
    run = commands.add_parser("run", help="run a line of shell as root, with its exit code")
    run.add_argument("--seconds", type=float, default=600, help="until it is killed (exit code 124)")
    run.add_argument("words", nargs="+", metavar="CMD")
    copy = commands.add_parser("copy", help=f"copy a file; a path in the board begins with {_IN_BOARD}")
    copy.add_argument("source", metavar="FROM")
    copy.add_argument("target", metavar="TO")
    commands.add_parser("stop", help="power off, and remove the board's disks")
    commands.add_parser("park", help="power off, and keep the disks for the next start")
    commands.add_parser("kill", help="cut the power, and keep the disks")
    return parser.parse_args()


def _start(board: Board, snapshot: bool, card: Path | None) -> None:
    built = recipe.card()
    began = time.monotonic()
    folder = board.folder
    if not snapshot and board.running():
        raise RigFailed(f"the board in {folder} is running")
    folder.mkdir(parents=True, exist_ok=True)
    share, spare = folder / "share.img", folder / "spare.img"
    if not share.exists():
        recipe.make_share_disk(share, SHARE_BYTES)
    if not spare.exists():
        with spare.open("wb") as file:
            file.truncate(recipe.CARD_BYTES)
    own = folder / "card.img"
    if card is None and snapshot:
        card = own if own.exists() else built
    elif card is None:
        if not own.exists():
            recipe.run("cp", "--reflink=auto", "--sparse=always", built, own)
        card = own
    board.start(*(Disk(path, name, snapshot) for path, name in ((card, "card"), (share, "share"), (spare, "spare"))))
    board.install_program()
    print(f"up after {time.monotonic() - began:.0f} s: {folder}")


def _run(board: Board, command: str, seconds: float) -> int:
    code, out, err = board.run_bytes(command, seconds)
    sys.stdout.buffer.write(out)
    sys.stderr.buffer.write(err)
    return code


def _copy(board: Board, source: str, target: str) -> None:
    content = board.fetch(source.removeprefix(_IN_BOARD)) if source.startswith(_IN_BOARD) else Path(source).read_bytes()
    if target.startswith(_IN_BOARD):
        board.send(content, target.removeprefix(_IN_BOARD))
    else:
        Path(target).write_bytes(content)


if __name__ == "__main__":
    sys.exit(main())
