"""Signals that come on top of each other, as of one ctrl-C: from the terminal to all, and passed on to the worker."""

from __future__ import annotations

import subprocess
import sys

import pytest

pytestmark = pytest.mark.system

PROGRAM = """
import os, signal, threading
from backupctl.domain.errors import Interrupted
from backupctl.operations.progress import Stop
stop = Stop()
signal.signal(signal.SIGUSR1, lambda *_: stop.ask(False))
main, over = threading.main_thread().ident, threading.Event()
def send():
    for _ in range(20_000):
        signal.pthread_kill(main, signal.SIGUSR1)
    over.set()
threading.Thread(target=send).start()
while not over.is_set():
    stop.ask(False)
try:
    stop.check()
except Interrupted:
    print("stopped")
"""


def test_a_signal_within_the_handler_of_another_does_no_harm() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "stopped\n"
