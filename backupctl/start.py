"""Where the program begins, before the rest of it is read in: on a small board that takes seconds."""

from __future__ import annotations

import signal
import sys


def main() -> None:
    """The console script."""
    if sys.argv[1:2] == ["thaw"]:
        sys.dont_write_bytecode = True  # where it would be written to may be frozen
    usual = signal.getsignal(signal.SIGINT)
    if usual is signal.default_int_handler:  # else it is ignored, and stays so
        # Nothing has begun: ctrl-C just ends it, without the interpreter's account of what it was reading.
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from backupctl.cli.main import main as program
    from backupctl.domain.errors import Exit

    signal.signal(signal.SIGINT, usual)
    try:
        program()
    except KeyboardInterrupt:  # before a command has begun, or between two steps of one that has ended
        sys.exit(int(Exit.INTERRUPTED))
