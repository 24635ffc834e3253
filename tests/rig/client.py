#!/usr/bin/python3 -ISB
"""`backupctl` in the virtual board: by a process that has it loaded, if there is one (tests/loaded_program.py).

A start by itself takes ten seconds there; it is made in a service of systemd's, which gives it a view of its own.
Imports nothing that is not built in, for that would take a second.
"""

import _socket
import marshal
import posix
import sys

PROGRAM = "/usr/local/bin/backupctl"
LOADED = "/run/loaded-program"
MODULES = b"/opt/backupctl/program:/opt/backupctl/lib"
BY_ITSELF = f"import sys; sys.argv[0] = '{PROGRAM}'; from backupctl.start import main; main()"


def by_itself(environment: dict[bytes, bytes]) -> None:
    posix.execve("/usr/bin/python3", ["python3", "-c", BY_ITSELF, *sys.argv[1:]], environment)


def main() -> None:
    environment = posix.environ | {b"PYTHONPATH": MODULES}
    if b"INVOCATION_ID" in environment:
        by_itself(environment)
    link = _socket.socket(_socket.AF_UNIX)
    try:
        link.connect(LOADED)
    except OSError:
        by_itself(environment)
    mask = posix.umask(0o022)
    posix.umask(mask)
    words = [word.encode(errors="surrogateescape") for word in sys.argv[1:]]
    request = marshal.dumps((PROGRAM, words, environment, posix.getcwd(), mask))
    files = b"".join(number.to_bytes(4, sys.byteorder) for number in (0, 1, 2))
    link.sendmsg([len(request).to_bytes(8, "big")], [(_socket.SOL_SOCKET, _socket.SCM_RIGHTS, files)])
    while request:
        request = request[link.send(request) :]
    code = link.recv(4)
    posix._exit(int.from_bytes(code, "big", signed=True) & 255 if len(code) == 4 else 255)


main()
