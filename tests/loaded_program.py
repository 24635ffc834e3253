"""The program, loaded once and started many times: each start is a new process that has all of it in memory already.

Loading it costs a start most of its time, and nearly all of it on an emulated processor. The process that has done so
listens on a socket; a start is a child of it, with the arguments, environment, folder, and first three open files of
who asks, which becomes `python -m backupctl`, or a program of another name; with `-` as the only argument, Python with
a program on its standard input. If who asks goes away, it is killed. Run as a file with the path of the socket; it ends
with what holds the other end of the pipe that is its standard input.
"""

from __future__ import annotations

import contextlib
import fcntl
import gc
import importlib
import io
import marshal
import os
import pkgutil
import runpy
import select
import signal
import socket
import stat
import sys
import termios
import time
from pathlib import Path

_LENGTH = 8  # bytes of the request's length, in front of it; the first three files come with it


def load() -> None:
    """All modules, and the parsed command line: what does not depend on a command's words."""
    import typer.main

    import backupctl
    import backupctl.cli.main as program

    for module in pkgutil.walk_packages(backupctl.__path__, "backupctl."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    sys.argv = ["backupctl", "--version"]
    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
        program.main()
    commands = typer.main.get_command(program.app)
    typer.main.get_command = lambda _: commands  # type: ignore[assignment]
    gc.freeze()  # or each end of a start would go through all of this


def serve(path: str) -> None:
    """Returns in each child that is to become the program."""
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(f"{path}.new")
    listener.listen(64)
    Path(f"{path}.new").rename(path)
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    waiting: list[int] = [listener.fileno(), *([0] if stat.S_ISFIFO(os.fstat(0).st_mode) else [])]
    while True:
        ready, _, _ = select.select(waiting, [], [])
        if 0 in ready:
            sys.exit()
        link, _ = listener.accept()
        if os.fork() == 0:
            listener.close()
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            if _begin(link):
                return
        link.close()


def _begin(link: socket.socket) -> bool:
    """True in the process that is to become the program; the one that follows it does not come back."""
    message, files, _, _ = socket.recv_fds(link, _LENGTH, 3)
    missing, content = int.from_bytes(message, "big"), bytearray()
    while len(content) < missing:
        content += link.recv(missing - len(content))
    program = os.fork()
    if program == 0:
        link.close()
        _become(files, *marshal.loads(content))
        return True
    for file in files:
        os.close(file)
    watched = os.pidfd_open(program)
    if watched not in select.select([watched, link.fileno()], [], [])[0]:
        os.killpg(program, signal.SIGKILL)
    code = os.waitstatus_to_exitcode(os.waitpid(program, 0)[1])
    with contextlib.suppress(OSError):
        link.sendall(code.to_bytes(4, "big", signed=True))
    os._exit(0)


def _become(
    files: list[int], name: str, arguments: list[bytes], environment: dict[bytes, bytes], folder: str, mask: int
) -> None:
    os.setsid()
    for number, file in enumerate(files):
        os.dup2(file, number)
        os.close(file)
    # As an interpreter that starts makes them: a file, a pipe and a terminal are not written to in the same way.
    sys.stdin, sys.stdout, sys.stderr = (
        os.fdopen(number, mode, buffering, old.encoding, old.errors, closefd=False)
        for number, mode, buffering, old in ((0, "r", -1, sys.stdin), (1, "w", -1, sys.stdout), (2, "w", 1, sys.stderr))
    )
    if os.isatty(0):
        fcntl.ioctl(0, termios.TIOCSCTTY, 1)  # taken from who asks (ioctl_tty(2)), whose keys are for the program
    os.chdir(folder)
    os.umask(mask)
    os.environb.clear()
    os.environb.update(environment)
    time.tzset()
    sys.argv = [name, *map(os.fsdecode, arguments)]


def start(path: str, arguments: list[str], environment: dict[str, str], files: list[int]) -> socket.socket:
    """Has it started with `files` as its first three. `ended` of what this returns tells how it ended."""
    mask = os.umask(0o022)
    os.umask(mask)
    words = [os.fsencode(word) for word in arguments]
    variables = {os.fsencode(name): os.fsencode(value) for name, value in environment.items()}
    content = marshal.dumps(("", words, variables, str(Path.cwd()), mask))
    link = socket.socket(socket.AF_UNIX)
    link.connect(path)
    socket.send_fds(link, [len(content).to_bytes(_LENGTH, "big")], files)
    link.sendall(content)
    return link


def ended(link: socket.socket) -> int:
    """Its exit code, or the number of a signal with a minus, once it has ended. Raises OSError if nobody tells."""
    with link:
        code = link.recv(4)
    if len(code) < 4:
        raise ConnectionError("the process that had the program loaded has ended")
    return int.from_bytes(code, "big", signed=True)


if __name__ == "__main__":
    where = sys.argv[1]
    load()
    serve(where)
    if sys.argv[1:] == ["-"]:
        exec(compile(sys.stdin.read(), "<stdin>", "exec"), {"__name__": "__main__"})
    elif sys.argv[0]:
        from backupctl.cli.main import main

        main()
    else:
        runpy.run_module("backupctl", run_name="__main__", alter_sys=True)
