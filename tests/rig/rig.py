"""A running board with a card in its reader now and then, as the tests use it."""

from __future__ import annotations

import inspect
import json
import shlex
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.rig import recipe
from tests.rig.board import Board, Disk, Ended, RigFailed
from tests.system.loop_device import attached, mounted

MIB = 1 << 20
SHARE_BYTES = 1 << 30
BOARD = "shed"
SERVED = f"/srv/share/{recipe.SHARE_FOLDER}"  # the share's folder on the server's side
SHARE = recipe.MOUNT_POINT  # and on its client's
# To another port. A server that was stopped would be started again by the mount, which requires it.
MOVE_SERVER = "sed -i 's/smb ports = {}/smb ports = {}/' /etc/samba/smb.conf && systemctl restart smbd"
_AUTOMOUNT = r"mnt-net\x20share.automount"


class Rig:
    """The board, its share disk, which outlives power cuts, and the folder for the disks of tests."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.board = Board(folder / "board")
        self._share = folder / "share.img"
        recipe.make_share_disk(self._share, SHARE_BYTES)

    def boot(self) -> None:
        """Starts the board from the card that was built, which stays as it is, with the program on it."""
        self.board.start(Disk(recipe.card(), "card", throw_away=True), Disk(self._share, "share"), bound_to_us=True)
        self.board.install_program()

    def heal(self) -> None:
        """Boots it again if it does not answer any more."""
        try:
            self.board.run("true", 20)
        except RigFailed:
            self.board.kill()
            self.boot()

    def backupctl(self, *words: str, share: str = SHARE, codes: tuple[int, ...] = (0,), seconds: float = 240) -> Ended:
        """The program in the board; it must end with one of `codes`."""
        ended = self.board.run(f"BACKUPCTL_SHARE={shlex.quote(share)} backupctl {shlex.join(words)}", seconds)
        assert "Traceback" not in ended.err, ended.err
        assert ended.code in codes, (words, ended)
        return ended

    def capture(self, source: str, *words: str, share: str = SHARE, board: str = BOARD) -> Any:
        """What a capture says of itself. It may warn: noise as a source is read whole, and that is a warning."""
        named = ("capture", "--board", board, "--source", source, "--json", *words)
        return self.backupctl(*named, share=share, codes=(0, 4)).json

    def shell(self, command: str, seconds: float = 180) -> str:
        """The output of a command that has to succeed."""
        ended = self.board.run(command, seconds)
        assert ended.code == 0, (command, ended)
        return ended.out

    def inside(self, function: Callable[..., Any], *arguments: object, seconds: float = 120) -> Any:
        """Runs a function of ours in the board; it may use nothing but what it imports itself."""
        program = (
            f"from __future__ import annotations\n{textwrap.dedent(inspect.getsource(function))}\n"
            f"import json, os\nprint(json.dumps({function.__name__}(*json.loads(os.environ['ARGUMENTS']))))\n"
        )
        given = shlex.quote(json.dumps(arguments))
        ended = self.board.run(f"ARGUMENTS={given} backupctl -", seconds, program.encode())
        assert ended.code == 0, ended
        return ended.json

    @contextmanager
    def in_reader(self, card: Path, name: str, read_only: bool = False) -> Iterator[str]:
        """A card in the board's reader; the path of its device there."""
        path = self.board.plug(Disk(card, name, read_only=read_only))
        try:
            yield path
        finally:
            if self.board.running():
                self.board.unplug(name)

    @contextmanager
    def mounted(self, service: str, name: str, options: str = "rw") -> Iterator[str]:
        """A share of the board's server mounted once more, as another client: over a connection of its own."""
        path = f"/mnt/{name}"
        self.shell(
            f"mkdir -p {path} && mount -t cifs '//127.0.0.1/{service}' {path} "
            f"-o credentials=/etc/share.credentials,nosharesock,{options}"
        )
        try:
            yield path
        finally:
            if self.board.running():
                self.shell(f"umount {path}")

    @contextmanager
    def share_elsewhere(self) -> Iterator[Path]:
        """The share as another, faster computer has it: a copy of the server's disk, mounted here."""
        copy, place = self.folder / "copy.img", self.folder / "copy"
        # The server's file system is whole on its disk, and stays so while that is copied.
        self.shell("sync; fsfreeze --freeze /srv/share")
        try:
            recipe.run("cp", "--reflink=auto", "--sparse=always", self._share, copy)
        finally:
            self.shell("fsfreeze --unfreeze /srv/share")
        try:
            with attached(copy) as device, mounted(device, place):
                yield place / recipe.SHARE_FOLDER
        finally:
            copy.unlink()

    @contextmanager
    def server_away(self) -> Iterator[None]:
        """The share is not mounted, and nobody listens where its server should be."""
        self.shell(f"{{ umount --types cifs '{SHARE}' || true; }} && {MOVE_SERVER.format(445, 4450)}")
        try:
            yield
        finally:
            # systemd gives up an automount whose mount has failed five times in ten seconds.
            again = f"systemctl reset-failed && systemctl restart '{_AUTOMOUNT}'"
            self.shell(f"{MOVE_SERVER.format(4450, 445)} && {again}")

    @contextmanager
    def server_hung(self) -> Iterator[None]:
        """Its connections stand, and nothing is answered."""
        # Attributes that the client has asked for count for a second (mount.cifs(8), actimeo).
        self.shell("pkill -STOP smbd && sleep 2")
        try:
            yield
        finally:
            self.shell("pkill -CONT smbd")

    def blank(self, name: str, size: int) -> Path:
        """A card that was never written to."""
        path = self.folder / f"{name}.img"
        with path.open("xb") as file:
            file.truncate(size)
        return path
