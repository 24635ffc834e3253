"""The virtual board: an emulator without a network device, driven through a serial port. Standard library only.

A board's folder holds its disks, its sockets, its console, and the emulator's process id. Like a board's boot loader,
`start` takes kernel, initial RAM disk and command line from the boot partition of the card that it is given.
"""

from __future__ import annotations

import compileall
import contextlib
import io
import json
import os
import py_compile
import secrets
import shutil
import signal
import socket
import subprocess
import tarfile
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests import loaded_program
from tests.rig import recipe

MEMORY_MIB = 1024
# Without AVX, which the emulator is slow at and the C library is fond of.
CPU = "Westmere-v1"
BOOT_SECONDS = 240.0  # where others use the processor as well; alone it takes a tenth of that
_ANSWER_SECONDS = 240.0  # beyond a command's own deadline: the whole board may stand still behind its disk
_CHUNK = 1 << 16


class RigFailed(Exception):
    """The board does not do what the rig needs it for."""


@dataclass(frozen=True)
class Ended:
    """How a command in the board ended; 124: its deadline had passed."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@dataclass(frozen=True)
class Disk:
    """A disk image; in the board it is /dev/disk/by-id/virtio-NAME. `throw_away`: the file stays as it is."""

    path: Path
    name: str
    throw_away: bool = False
    read_only: bool = False


class Board:
    """A board in a folder: running or not, started by this process or by another one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    # The emulator

    def start(self, card: Disk, *disks: Disk, append: str = "", bound_to_us: bool = False) -> None:
        """Boots from `card` and waits until the board is up. `bound_to_us`: it ends when this process ends.

        Raises RigFailed, with the end of the console, if it does not come up or a unit has failed.
        """
        if self.running():
            raise RigFailed(f"the board in {self.folder} is running")
        self.folder.mkdir(parents=True, exist_ok=True)
        for name in ("agent", "qmp"):
            self._socket(name).unlink(missing_ok=True)
        bound = ("setpriv", "--pdeathsig", "KILL") if bound_to_us else ()
        with (self.folder / "emulator.log").open("wb") as log:
            self._process = subprocess.Popen(
                [*bound, *self._command(card, disks, append)], stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                start_new_session=True,
            )  # fmt: skip
        self._note(self._process.pid)
        try:
            state = self.run("systemctl is-system-running --wait; systemctl --failed --no-legend --plain", BOOT_SECONDS)
        except RigFailed as error:
            self.kill()
            raise RigFailed(f"{error}; its console ends with:\n{self.console()[-3000:]}") from None
        if state.out.strip() != "running":
            raise RigFailed(f"not everything came up: {state.out}")

    def _command(self, card: Disk, disks: tuple[Disk, ...], append: str) -> list[str]:
        boot = self.folder / "boot"
        boot.mkdir(exist_ok=True)
        partition = f"{card.path}@@{recipe.BOOT_START}"
        recipe.run("mcopy", "-n", "-o", "-i", partition, "::vmlinuz", "::initrd.img", "::cmdline.txt", boot)
        command = [
            "qemu-system-x86_64", "-M", "pc", "-accel", "tcg,thread=multi,tb-size=512", "-cpu", CPU, "-smp", "2",
            "-m", str(MEMORY_MIB), "-nodefaults", "-nic", "none", "-display", "none", "-no-reboot",
            "-kernel", str(boot / "vmlinuz"), "-initrd", str(boot / "initrd.img"),
            "-append", f"{(boot / 'cmdline.txt').read_text().strip()} {append}",
            "-serial", f"file:{self.folder / 'console.log'}",
            "-qmp", f"unix:{self._socket('qmp')},server=on,wait=off",
            "-device", "virtio-serial-pci",
            "-chardev", f"socket,id=agent,path={self._socket('agent')},server=on,wait=off",
            "-device", "virtserialport,chardev=agent,name=rig",
            "-device", "virtio-rng-pci", "-device", "virtio-scsi-pci,id=reader",
        ]  # fmt: skip
        for disk in (card, *disks):
            kept = f"snapshot={'on' if disk.throw_away else 'off'},readonly={'on' if disk.read_only else 'off'}"
            path = str(disk.path).replace(",", ",,")
            command += ["-drive", f"file={path},format=raw,if=none,id={disk.name},discard=unmap,{kept}"]
            command += ["-device", f"virtio-blk-pci,drive={disk.name},serial={disk.name}"]
        return command

    def _socket(self, name: str) -> Path:
        return self.folder / f"{name}.sock"

    def console(self) -> str:
        """What the board has written to its serial console."""
        log = self.folder / "console.log"
        emulator = (self.folder / "emulator.log").read_text(errors="replace")
        return emulator + (log.read_text(errors="replace") if log.exists() else "")

    def _note(self, process: int) -> None:
        # setpriv becomes the emulator: the same process, and the same time of its start.
        (self.folder / "emulator.json").write_text(json.dumps({"process": process, "born": _born(process)}))

    def _emulator(self) -> int | None:
        try:
            noted = json.loads((self.folder / "emulator.json").read_text())
        except FileNotFoundError:
            return None
        process = int(noted["process"])
        return process if noted["born"] is not None and _born(process) == noted["born"] else None

    def running(self) -> bool:
        if self._process is not None:
            self._process.poll()
        return self._emulator() is not None

    def kill(self) -> None:
        """The power is cut."""
        process = self._emulator()
        if process is not None:
            os.kill(process, signal.SIGKILL)
        self._wait(20)

    def power_off(self, seconds: float = 90) -> None:
        """An orderly end. Raises RigFailed if the board does not find one."""
        # It may be gone before it has answered.
        with contextlib.suppress(RigFailed):
            self.run("systemctl --no-block poweroff")
        self._wait(seconds)

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while self.running():
            if time.monotonic() > until:
                raise RigFailed("the emulator does not end")
            time.sleep(0.05)
        if self._process is not None:
            self._process.wait()
            self._process = None
        (self.folder / "emulator.json").unlink(missing_ok=True)

    def plug(self, disk: Disk) -> str:
        """Puts a card into the board's reader (a SCSI disk); the path of its device in the board."""
        node = {
            "driver": "raw", "node-name": disk.name, "read-only": disk.read_only, "discard": "unmap",
            "file": {"driver": "file", "filename": str(disk.path), "discard": "unmap"},
        }  # fmt: skip
        self._qmp("blockdev-add", **node)
        self._qmp("device_add", driver="scsi-hd", id=disk.name, drive=disk.name, bus="reader.0", serial=disk.name)
        path = f"/dev/disk/by-id/scsi-0QEMU_QEMU_HARDDISK_{disk.name}"
        found = self.run(f"for n in $(seq 100); do [ -b {path} ] && exec readlink -f {path}; sleep 0.1; done; exit 1")
        if found.code:
            raise RigFailed(f"{disk.name} does not show up: {self.run('ls /dev/disk/by-id; lsblk').out}")
        return found.out.strip()

    def unplug(self, name: str) -> None:
        """Takes a card out of the reader."""
        self._qmp("device_del", id=name)
        until = time.monotonic() + 20
        while True:
            try:
                return self._qmp("blockdev-del", **{"node-name": name})
            except RigFailed:
                if time.monotonic() > until:
                    raise
                time.sleep(0.1)

    def _qmp(self, command: str, **arguments: object) -> None:
        with contextlib.closing(_connect(self._socket("qmp"), 10)) as link, link.makefile("rw") as lines:
            for request in ({"execute": "qmp_capabilities"}, {"execute": command, "arguments": arguments}):
                lines.write(json.dumps(request) + "\n")
                lines.flush()
                for line in lines:
                    answer = json.loads(line)
                    if "error" in answer:
                        raise RigFailed(f"{command}: {answer['error']['desc']}")
                    if "return" in answer:
                        break

    # Commands in the board

    def run(self, command: str, seconds: float = 60, given: bytes = b"") -> Ended:
        """Runs a line of shell as root, `given` on its standard input. Raises RigFailed if the board is silent."""
        code, out, err = self.run_bytes(command, seconds, given)
        return Ended(code, out.decode(errors="replace"), err.decode(errors="replace"))

    def run_bytes(self, command: str, seconds: float = 60, given: bytes = b"") -> tuple[int, bytes, bytes]:
        token = secrets.token_hex(8)
        request = {"token": token, "command": command, "seconds": seconds, "input": len(given)}
        until = time.monotonic() + seconds + _ANSWER_SECONDS
        link = self._agent(until)
        with contextlib.closing(link):
            try:
                link.sendall(json.dumps(request).encode() + b"\n" + given)
                answer = _Answer(link, until)
                code, out, err = map(int, answer.after(f"\n@{token} ".encode()).split())
                return code, answer.take(out), answer.take(err)
            except OSError as error:
                raise RigFailed(f"the board does not answer to {command!r}: {error}") from None

    def _agent(self, until: float) -> socket.socket:
        while True:
            if not self.running():
                raise RigFailed(f"the emulator has ended: {self.console()[-3000:]}")
            try:
                return _connect(self._socket("agent"), max(1.0, until - time.monotonic()))
            except OSError as error:
                if time.monotonic() > until:
                    raise RigFailed(f"the board cannot be reached: {error}") from None
                time.sleep(0.1)

    def send(self, content: bytes, path: str) -> None:
        """Writes a file in the board."""
        self._must(f"cat >{_quoted(path)}", content)

    def fetch(self, path: str) -> bytes:
        """Reads a file of the board."""
        return self._must(f"cat {_quoted(path)}")

    def _must(self, command: str, given: bytes = b"") -> bytes:
        code, out, err = self.run_bytes(command, 300, given)
        if code:
            raise RigFailed(f"{command}: {code}, {err.decode(errors='replace')[-500:]}")
        return out

    def install_program(self) -> None:
        """Puts the checkout's program into the board."""
        packed = io.BytesIO()
        with tempfile.TemporaryDirectory() as folder, tarfile.open(fileobj=packed, mode="w") as tar:
            for name in ("backupctl", "policies"):
                shutil.copytree(recipe.ROOT / name, Path(folder, name), ignore=shutil.ignore_patterns("__pycache__"))
            # The program itself writes no byte code. The board's Python uses this if it is of our version.
            unchecked = py_compile.PycInvalidationMode.UNCHECKED_HASH
            compileall.compile_dir(folder, quiet=1, invalidation_mode=unchecked, stripdir=folder)
            tar.add(folder, ".")
        where = "/opt/backupctl/program"
        self._must(f"rm -rf {where}/* && tar -C {where} --no-same-owner -xf -", packed.getvalue())
        self.send(Path(loaded_program.__file__).read_bytes(), "/run/loaded_program.py")
        load = f"PYTHONPATH={where}:/opt/backupctl/lib python3 -B /run/loaded_program.py /run/loaded-program"
        listening = "until [ -S /run/loaded-program ]; do sleep 0.2; done"
        self._must(f"{load} </dev/null >/dev/null 2>/run/loaded-program.err & {listening}")


class _Answer:
    """An answer as it arrives."""

    def __init__(self, link: socket.socket, until: float) -> None:
        self._link = link
        self._until = until
        self._kept = bytearray()

    def _more(self) -> None:
        self._link.settimeout(max(0.1, self._until - time.monotonic()))
        piece = self._link.recv(_CHUNK)
        if not piece:
            raise ConnectionError("the emulator closed the port")
        self._kept += piece

    def after(self, mark: bytes) -> bytes:
        """The rest of the line that begins with `mark`."""
        while (at := self._kept.find(mark)) < 0:
            del self._kept[: -len(mark)]
            self._more()
        del self._kept[: at + len(mark)]
        while b"\n" not in self._kept:
            self._more()
        line, _, self._kept = self._kept.partition(b"\n")
        return bytes(line)

    def take(self, size: int) -> bytes:
        while len(self._kept) < size:
            self._more()
        found = bytes(self._kept[:size])
        del self._kept[:size]
        return found


def _connect(path: Path, seconds: float) -> socket.socket:
    link = socket.socket(socket.AF_UNIX)
    try:
        link.settimeout(seconds)
        # By a short name: the address of a socket has room for 107 bytes (unix(7)).
        folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
        try:
            link.connect(f"/proc/self/fd/{folder}/{path.name}")
        finally:
            os.close(folder)
    except BaseException:
        link.close()
        raise
    return link


def _born(process: int) -> str | None:
    """When a process was started (proc(5), /proc/pid/stat, field 22); None if it has ended."""
    try:
        after = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return None
    return None if after[0] in "ZX" else after[19]


def _quoted(path: str) -> str:
    return "'" + path.replace("'", "'\\''") + "'"
