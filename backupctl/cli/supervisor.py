"""The supervisor: owns the terminal, the journal and the exit code, while a worker process touches the share.

A share that stops answering can leave a process uninterruptible for minutes, or for ever; then it is the worker that
hangs. Once that has made no progress for long, the supervisor kills it, which takes effect when the kernel lets it go,
and ends without it. They talk over a socket pair, one JSON object a line.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from types import FrameType
from typing import Any

from backupctl.board.activity import StallWatch
from backupctl.cli.places import state_folder
from backupctl.cli.view import View
from backupctl.domain.errors import BackupctlError, Exit, of_system
from backupctl.domain.events import Event
from backupctl.domain.units import span
from backupctl.operations.capturing.undoing import undo_left_over
from backupctl.operations.kept_events import keep
from backupctl.operations.progress import Reporter, Step, Stop

Json = dict[str, Any]
Task = Callable[[Reporter, Stop], Json]

STALL_SECONDS = 600.0  # where no policy says otherwise
_STOP_SECONDS = 60.0  # the same, once the worker was asked to stop
_LOOK_SECONDS = 10.0
_GONE_SECONDS = 5.0  # in which a killed worker goes, unless the kernel holds it
_STEP_SECONDS = 0.2


class _Stopped(Exception):
    """A signal has come while somebody was asked: what is typed does not matter any more."""


class _Pipe:
    """The worker's reporter: sends to the supervisor. A supervisor that is gone asks for a stop."""

    def __init__(self, connection: socket.socket, stop: Stop) -> None:
        self._lines = connection.makefile("rwb")
        self._stop = stop
        self._last = 0.0
        self._last_name = ""

    def send(self, message: Json) -> None:
        try:
            self._lines.write(json.dumps(message).encode() + b"\n")
            self._lines.flush()
        except OSError:
            self._stop.ask(terminated=True)

    def step(self, step: Step) -> None:
        now = time.monotonic()
        if now - self._last >= _STEP_SECONDS or step.name != self._last_name:
            self._last, self._last_name = now, step.name
            self.send({"step": [step.name, step.done, step.total, step.written]})

    def note(self, text: str) -> None:
        self.send({"note": text})

    def ask(self, question: str, expected: str) -> bool:
        self.send({"ask": question, "expected": expected})
        answer = self._lines.readline()
        self._stop.check()
        return answer == b"yes\n"

    def run(self, shelf: str, if_lost: Event | None) -> None:
        self.send({"run": shelf, "if_lost": if_lost and asdict(if_lost)})


def run(task: Task, view: View, stall_seconds: float = STALL_SECONDS) -> tuple[Json | None, Exit]:
    """Runs `task` in a worker; its result, or None and the exit code after `view` has told the error."""
    if not hasattr(os, "fork"):
        return _run_here(task, view)
    ours, theirs = socket.socketpair()
    worker = os.fork()
    if worker == 0:
        ours.close()
        os._exit(_work(task, theirs))
    theirs.close()
    try:
        return _Supervision(worker, ours, view, stall_seconds).follow()
    finally:
        ours.close()


def _work(task: Task, connection: socket.socket) -> int:
    stop = Stop()

    def on_signal(number: int, _: FrameType | None) -> None:
        stop.ask(terminated=number == signal.SIGTERM)

    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGINT, on_signal)
    pipe = _Pipe(connection, stop)
    pipe.send(_outcome(task, pipe, stop))
    return 0


def _outcome(task: Task, reporter: Reporter, stop: Stop) -> Json:
    """The task's result or error as a message; the one place where every exception is caught."""
    try:
        return {"result": task(reporter, stop)}
    except (BackupctlError, OSError) as error:
        told = of_system(error)
        return {"error": told.cause, "hint": told.hint, "exit": int(told.exit_code)}
    except Exception as error:  # noqa: BLE001 - the top of the program
        trace = traceback.format_exc()
        return {"error": f"an error of the program itself: {error!r}", "hint": trace, "exit": int(Exit.PROGRAM_ERROR)}


@dataclass
class _Told:
    """What the worker has said so far that counts at its end."""

    result: Json | None = None
    code: Exit | None = None  # None: it has not said how it ended
    doing: str = ""
    shelf: str = ""
    if_lost: Event | None = None


class _Supervision:
    """Follows one worker until it has ended, or has stalled."""

    def __init__(self, worker: int, connection: socket.socket, view: View, stall_seconds: float) -> None:
        self._worker = worker
        self._connection = connection
        self._buffer = bytearray()
        self._view = view
        self._watch = StallWatch(worker, stall_seconds)
        self._told = _Told()
        self._is_asking = False

    def follow(self) -> tuple[Json | None, Exit]:
        before = [(number, signal.signal(number, self._pass_on)) for number in (signal.SIGTERM, signal.SIGINT)]
        try:
            has_stalled = self._listen()
            self._view.clear()
            if has_stalled:
                return self._abandon()
            ended = self._wait()
            if self._told.code is None:
                self._view.error(
                    f"the worker process ended ({ended}) before it could say why", "Was memory short? See the log."
                )
                self._undo()
            return self._told.result, Exit.PROGRAM_ERROR if self._told.code is None else self._told.code
        finally:
            for number, handler in before:
                signal.signal(number, handler)

    def _pass_on(self, number: int, _: FrameType | None) -> None:
        self._watch.seconds = min(self._watch.seconds, _STOP_SECONDS)
        os.kill(self._worker, number)
        if self._is_asking:
            self._is_asking = False
            raise _Stopped

    def _listen(self) -> bool:
        """Until the worker has said all; true if it has stalled before."""
        look_seconds = min(_LOOK_SECONDS, self._watch.seconds / 6)
        while (line := self._line(look_seconds)) != b"":
            if line is None:
                if self._watch.has_stalled():
                    return True
                continue
            self._hear(json.loads(line))
            if self._told.code is not None:
                break  # what it still does is to end, in which the share may hold it
            self._watch.progress()
        return False

    def _line(self, seconds: float) -> bytes | None:
        """The next line; empty at the end, None if none comes in time."""
        while (end := self._buffer.find(b"\n")) < 0:
            if not select.select([self._connection], [], [], seconds)[0]:
                return None
            chunk = self._connection.recv(1 << 16)
            if not chunk:
                return b""
            self._buffer += chunk
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        return line

    def _hear(self, message: Json) -> None:
        view, told = self._view, self._told
        if "step" in message:
            step = Step(*message["step"])
            told.doing = step.name
            view.step(step)
        elif "note" in message:
            view.note(message["note"])
        elif "ask" in message:
            self._connection.sendall(b"yes\n" if self._ask(message["ask"], message["expected"]) else b"no\n")
        elif "run" in message:
            told.shelf = message["run"]
            told.if_lost = Event(**message["if_lost"]) if message["if_lost"] else None
        elif "result" in message:
            told.result, told.code = message["result"], Exit.DONE
        else:
            view.clear()
            view.error(message["error"], message["hint"])
            told.code = Exit(message["exit"])

    def _ask(self, question: str, expected: str) -> bool:
        try:
            self._is_asking = True
            answer = self._view.ask(question, expected)
            self._is_asking = False
        except _Stopped:
            return False
        return answer

    def _wait(self) -> int | None:
        """The worker's exit code; None if it does not go: what it has open on the share may hold it."""
        until = time.monotonic() + _GONE_SECONDS
        while time.monotonic() < until:
            process, status = os.waitpid(self._worker, os.WNOHANG)
            if process:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.01)
        return None

    def _abandon(self) -> tuple[None, Exit]:
        os.kill(self._worker, signal.SIGKILL)
        is_held = self._wait() is None
        doing = f" ({self._told.doing})" if self._told.doing else ""
        cause = f"no progress for {span(round(self._watch.seconds))}{doing}: most likely the share does not answer"
        self._view.error(
            cause,
            "Look at the NAS, and the network between. What was on the share before is as it was, and the next run "
            "goes on from what this one wrote.",
        )
        if is_held:
            self._view.note(
                f"The kernel still holds the process that waits for the share ({self._worker}). It was killed."
            )
        self._record(cause)
        self._undo()
        return None, Exit.STALLED

    def _record(self, cause: str) -> None:
        lost = self._told.if_lost
        if lost is None:
            return
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        event = replace(lost, time=now, body={**lost.body, "cause": cause, "exit": int(Exit.STALLED)})
        try:
            keep(state_folder(), self._told.shelf, event)
        except OSError as error:
            self._view.note(f"This cannot be kept for the next run to record: {error}")

    def _undo(self) -> None:
        for text in undo_left_over(state_folder()):
            self._view.note(text)


class _Direct:
    """A reporter without a worker process in between, where there is no fork."""

    def __init__(self, view: View) -> None:
        self.step = view.step
        self.note = view.note
        self.ask = view.ask

    def run(self, shelf: str, if_lost: Event | None) -> None: ...


def _run_here(task: Task, view: View) -> tuple[Json | None, Exit]:
    message = _outcome(task, _Direct(view), Stop())
    view.clear()
    if "result" in message:
        return message["result"], Exit.DONE
    view.error(message["error"], message["hint"])
    return None, Exit(message["exit"])
