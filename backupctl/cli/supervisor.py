"""The supervisor: owns the terminal, the journal and the exit code, while a worker process touches the share.

A share that stops answering can leave a process uninterruptible for minutes; then it is the worker that hangs. (For the
supervisor to notice that, and to say so, is still to come.) They talk over a socket pair, one JSON object a line.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import time
import traceback
from collections.abc import Callable
from types import FrameType
from typing import Any

from backupctl.cli.places import state_folder
from backupctl.cli.view import View
from backupctl.domain.errors import BackupctlError, Exit
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.operations.undoing import undo_left_over

Task = Callable[[Reporter, Stop], dict[str, Any]]
_STEP_SECONDS = 0.2


class _Pipe:
    """The worker's reporter: sends to the supervisor. A supervisor that is gone asks for a stop."""

    def __init__(self, connection: socket.socket, stop: Stop) -> None:
        self._lines = connection.makefile("rwb")
        self._stop = stop
        self._last = 0.0
        self._last_name = ""

    def send(self, message: dict[str, Any]) -> None:
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
        return self._lines.readline() == b"yes\n"


def run(task: Task, view: View) -> tuple[dict[str, Any] | None, Exit]:
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
        return _supervise(worker, ours, view)
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


def _outcome(task: Task, reporter: Reporter, stop: Stop) -> dict[str, Any]:
    """The task's result or error as a message; the one place where every exception is caught."""
    try:
        return {"result": task(reporter, stop)}
    except BackupctlError as error:
        return {"error": error.cause, "hint": error.hint, "exit": int(error.exit_code)}
    except OSError as error:
        return {"error": str(error), "hint": "", "exit": int(Exit.FAILED)}
    except Exception as error:  # noqa: BLE001 - the top of the program
        told = traceback.format_exc()
        return {"error": f"an error of the program itself: {error!r}", "hint": told, "exit": int(Exit.PROGRAM_ERROR)}


def _supervise(worker: int, connection: socket.socket, view: View) -> tuple[dict[str, Any] | None, Exit]:
    def pass_on(number: int, _: FrameType | None) -> None:
        os.kill(worker, number)

    before = [(number, signal.signal(number, pass_on)) for number in (signal.SIGTERM, signal.SIGINT)]
    result: dict[str, Any] | None = None
    code = Exit.PROGRAM_ERROR
    told = False
    try:
        with connection.makefile("rwb") as lines:
            for line in lines:
                message = json.loads(line)
                if "step" in message:
                    view.step(Step(*message["step"]))
                elif "note" in message:
                    view.note(message["note"])
                elif "ask" in message:
                    answer = view.ask(message["ask"], message["expected"])
                    lines.write(b"yes\n" if answer else b"no\n")
                    lines.flush()
                elif "result" in message:
                    result, code, told = message["result"], Exit.DONE, True
                else:
                    view.clear()
                    view.error(message["error"], message["hint"])
                    code, told = Exit(message["exit"]), True
        view.clear()
        _, status = os.waitpid(worker, 0)
        if not told:
            ended = os.waitstatus_to_exitcode(status)
            view.error(f"the worker process ended ({ended}) before it could say why", "Was memory short? See the log.")
            for text in undo_left_over(state_folder()):
                view.note(text)
    finally:
        for number, handler in before:
            signal.signal(number, handler)
    return result, code


class _Direct:
    """A reporter without a worker process in between, where there is no fork."""

    def __init__(self, view: View) -> None:
        self.step = view.step
        self.note = view.note
        self.ask = view.ask


def _run_here(task: Task, view: View) -> tuple[dict[str, Any] | None, Exit]:
    message = _outcome(task, _Direct(view), Stop())
    view.clear()
    if "result" in message:
        return message["result"], Exit.DONE
    view.error(message["error"], message["hint"])
    return None, Exit(message["exit"])
