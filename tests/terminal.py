"""The program at a pseudo-terminal of 80 columns, with somebody who reads and types."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Mapping
from pathlib import Path
from typing import IO

from tests.program import command, environment

SECONDS = 60


class Terminal:
    """One run. `seen`: everything so far, with line ends as in a file; `typed`: how many lines were typed.

    `out`: its standard output goes there instead.
    """

    def __init__(self, *words: str | Path, more: Mapping[str, str] | None = None, out: IO[bytes] | None = None) -> None:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self._process = subprocess.Popen(
            command(*words), stdin=theirs, stdout=out or theirs, stderr=theirs, start_new_session=True,
            env=environment(None) | {"TERM": "xterm"} | dict(more or {}),
            preexec_fn=lambda: os.close(os.open(os.ttyname(theirs), os.O_RDWR)),  # now it is the controlling terminal
        )  # fmt: skip
        os.close(theirs)
        self._bytes = b""
        self._read = 0  # of `seen`, up to where somebody has read
        self.typed = 0

    @property
    def seen(self) -> str:
        return self._bytes.decode(errors="replace").replace("\r\n", "\n")

    def _more(self, seconds: float) -> bool:
        """False once nobody has the other end open any more."""
        if not select.select([self._ours], [], [], seconds)[0]:
            return True
        try:
            self._bytes += os.read(self._ours, 65536)
        except OSError:  # EIO
            return False
        return True

    def read_to(self, text: str) -> str:
        """Waits for `text` beyond what was read; everything up to its end."""
        until = time.monotonic() + SECONDS
        while (at := self.seen.find(text, self._read)) < 0:
            if time.monotonic() > until or not self._more(1):
                self.kill()
                raise AssertionError(f"{text!r} does not come:\n{self.seen}")
        begins, self._read = self._read, at + len(text)
        return self.seen[begins : self._read]

    def answer(self, question: str, line: str) -> str:
        """Waits for the question, and types a line; everything up to the question."""
        told = self.read_to(question)
        if "assword" in question:
            time.sleep(0.2)  # what is typed before the echo is off is shown by the terminal, not by the program
        self.typed += 1
        os.write(self._ours, os.fsencode(f"{line}\n"))
        return told

    def interrupt(self) -> None:
        os.write(self._ours, b"\x03")

    def kill(self) -> None:
        """As when a connection is lost, or worse: it and its workers."""
        if self._process.poll() is None:
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait(10)
        os.close(self._ours)

    def end(self) -> int:
        """Waits for the end; the exit code."""
        until = time.monotonic() + SECONDS
        while self._more(1):
            if time.monotonic() > until:
                self.kill()
                raise AssertionError(f"it does not end:\n{self.seen}")
        os.close(self._ours)
        return self._process.wait(10)
