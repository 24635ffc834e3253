"""Doing what a dead share may block for ever, in a child process that can be left behind.

A process that waits for a dead server takes no signal until the kernel lets it go; not even a kill ends it. So the wait
is another process's, which holds nothing that anybody else waits for.
"""

from __future__ import annotations

import json
import os
import select
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from backupctl.domain.errors import BackupctlError, Exit

_MOST_BYTES = 1 << 20
_CHUNK_BYTES = 65536


class Stalled(BackupctlError):
    """It did not answer in time; the child that asked was left behind."""

    exit_code = Exit.STALLED


def within(seconds: float, what: str, task: Callable[[], Any]) -> Any:
    """What `task` returns, which has to be something that JSON can hold.

    Raises Stalled, naming `what`, if that takes longer; OSError and BackupctlError as the task did. Nothing on the
    share may be open in this process: the child would hang when it closes that.
    """
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        _answer(theirs, task)
    os.close(theirs)
    try:
        answer = _read(ours, seconds)
    finally:
        os.close(ours)
    if answer is None:
        os.kill(child, signal.SIGKILL)  # it ends as soon as the kernel lets it
        os.waitpid(child, os.WNOHANG)
        raise Stalled(f"{what} did not answer within {seconds:g} s", "Is the server on, and reachable?")
    os.waitpid(child, 0)
    return _result(answer, what)


def _answer(theirs: int, task: Callable[[], Any]) -> None:
    """The child: never returns."""
    try:
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for descriptor in range(3):
            os.dup2(nothing, descriptor)
        for link in Path("/proc/self/fd").iterdir():
            if int(link.name) > 2 and int(link.name) != theirs:
                _close(int(link.name))
        try:
            answer = {"result": task()}
        except OSError as error:
            answer = {"errno": error.errno, "said": error.strerror, "file": str(error.filename or "")}
        except BackupctlError as error:
            answer = {"cause": error.cause, "hint": error.hint}
        with open(theirs, "wb") as pipe:
            pipe.write(json.dumps(answer).encode())
    finally:
        os._exit(0)


def _close(descriptor: int) -> None:
    try:
        os.close(descriptor)
    except OSError:
        pass  # the one that the listing itself had


def _read(pipe: int, seconds: float) -> bytes | None:
    """Everything up to the end; None if that does not come in time."""
    deadline = time.monotonic() + seconds
    answer = bytearray()
    while select.select([pipe], [], [], max(0.0, deadline - time.monotonic()))[0]:
        chunk = os.read(pipe, _CHUNK_BYTES)
        if not chunk or len(answer) > _MOST_BYTES:
            return bytes(answer)
        answer += chunk
    return None


def _result(answer: bytes, what: str) -> Any:
    try:
        told = json.loads(answer)
    except ValueError:
        raise BackupctlError(f"the process that looked at {what} ended without saying what it found") from None
    if "errno" in told:
        raise OSError(told["errno"], told["said"], *filter(None, [told["file"]]))
    if "cause" in told:
        raise BackupctlError(told["cause"], told["hint"])
    return told["result"]
