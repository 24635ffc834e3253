"""The one way to run a program."""

from __future__ import annotations

import json
import os
import selectors
import shutil
import signal
import subprocess
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.domain.errors import BackupctlError

_TAIL_BYTES = 4096
_CHUNK_BYTES = 65536
# How long a killed program may take to go. One that waits for a dead device does not go at all.
_GRACE_SECONDS = 5.0


class ProgramMissing(BackupctlError):
    """There is no such program, or it may not be run."""


class ProgramFailed(BackupctlError):
    """It ended with a code that does not mean success."""


class ProgramKilled(BackupctlError):
    """A signal ended it."""


class ProgramTimedOut(BackupctlError):
    """It was still running at its deadline, and was killed."""


class ProgramTooTalkative(BackupctlError):
    """It wrote more than was asked for, and was killed."""


@dataclass(frozen=True)
class Result:
    """How a program ended that was not killed."""

    args: tuple[str, ...]
    code: int
    stdout: bytes
    stderr_tail: str

    @property
    def text(self) -> str:
        """Its output as text; bytes that are no UTF-8 are kept as surrogates."""
        return self.stdout.decode(errors="surrogateescape")

    def json(self) -> Any:
        """Its output read as JSON. Raises ProgramFailed if it is none."""
        try:
            return json.loads(self.stdout)
        except ValueError as error:
            raise ProgramFailed(f"{self.args[0]} wrote something that is not JSON: {error}") from None


def find_program(name: str) -> str | None:
    """The path of a program as `run` would find it, or None."""
    return shutil.which(name, path=_search_path())


def _search_path() -> str:
    # An ordinary user's search path often lacks the places where the tools for file systems are.
    return f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin"


def run(
    args: Sequence[str | Path],
    timeout_seconds: float,
    *,
    success: Collection[int] = (0,),
    most_output_bytes: int = 16 << 20,
    cwd: Path | None = None,
    stdin: Path = Path(os.devnull),
    environment: Mapping[str, str] | None = None,
) -> Result:
    """Runs `args[0]`, with no shell and messages in English, and waits for it.

    `success` holds the exit codes that are no failure. `stdin` is a file that it reads; without one it has no input.
    `environment` is what it is given beyond that of this process.
    The program and all that it started are killed when it is not done in time, writes too much, or this call is
    interrupted. Raises ProgramMissing, ProgramFailed, ProgramKilled, ProgramTimedOut or ProgramTooTalkative, each with
    the end of what it said on its error output; OSError where `stdin` cannot be read.
    """
    command = tuple(map(str, args))
    whole_environment = {**os.environ, "LC_ALL": "C", "PATH": _search_path(), **(environment or {})}
    program = find_program(command[0])
    if program is None:
        raise ProgramMissing(
            f"the program {command[0]} is not installed", f"Install the package that has {command[0]}."
        )
    with stdin.open("rb") as given:
        try:
            process = subprocess.Popen(
                command,
                executable=program,
                stdin=given,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env=whole_environment,
                cwd=cwd,
                start_new_session=True,
            )
        except OSError as error:
            raise ProgramMissing(
                f"{program} cannot be run: {error.strerror}", "Is it made for this processor?"
            ) from error
    try:
        return _follow(process, command, timeout_seconds, success, most_output_bytes)
    finally:
        _end(process)


def _follow(
    process: subprocess.Popen[bytes],
    command: tuple[str, ...],
    timeout_seconds: float,
    success: Collection[int],
    most_output_bytes: int,
) -> Result:
    assert process.stdout and process.stderr
    deadline = time.monotonic() + timeout_seconds
    output, tail = bytearray(), bytearray()
    with selectors.DefaultSelector() as streams:
        streams.register(process.stdout, selectors.EVENT_READ, output)
        streams.register(process.stderr, selectors.EVENT_READ, tail)
        while streams.get_map():
            left = deadline - time.monotonic()
            if left <= 0:
                raise _timed_out(command, timeout_seconds, tail)
            for key, _ in streams.select(left):
                chunk = os.read(key.fd, _CHUNK_BYTES)
                if not chunk:
                    streams.unregister(key.fileobj)
                key.data.extend(chunk)
                del tail[:-_TAIL_BYTES]
                if len(output) > most_output_bytes:
                    raise ProgramTooTalkative(f"{command[0]} wrote more than {most_output_bytes} bytes")
    try:
        code = process.wait(max(0.0, deadline - time.monotonic()))
    except subprocess.TimeoutExpired:
        raise _timed_out(command, timeout_seconds, tail) from None
    if code < 0:
        raise ProgramKilled(f"{command[0]} was ended by {_signal_name(-code)}{_said(tail)}", "Was memory short?")
    if code not in success:
        raise ProgramFailed(f"{command[0]} failed with code {code}{_said(tail)}", f"It was run as: {' '.join(command)}")
    return Result(command, code, bytes(output), tail.decode(errors="replace"))


def _end(process: subprocess.Popen[bytes]) -> None:
    assert process.stdout and process.stderr
    process.stdout.close()
    process.stderr.close()
    if process.returncode is not None:
        return
    try:
        # Not reaped yet, so the number is still this program's; it leads the group of all that it started.
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(_GRACE_SECONDS)
    except (ProcessLookupError, subprocess.TimeoutExpired):
        pass  # It sits in the kernel and goes when that lets it go; nothing here can hasten it.


def _timed_out(command: tuple[str, ...], timeout_seconds: float, tail: bytearray) -> ProgramTimedOut:
    return ProgramTimedOut(
        f"{command[0]} was not done after {timeout_seconds:g} s{_said(tail)}",
        "A device or a share that does not answer is the usual reason: look at the kernel's log.",
    )


def _said(tail: bytearray) -> str:
    said = tail.decode(errors="replace").strip()
    return f"; it said: {said}" if said else ""


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
