"""Runs commands for the host: the only program of the rig inside the virtual board. Python's own library only.

A request is one line of JSON (token, command, seconds, input: bytes that follow the line). An answer is a line with the
request's token, the exit code and the lengths of output and error output, which follow. The host skips everything in
front of its own token: answers to whom has hung up meanwhile.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path

PORT = Path("/dev/virtio-ports/rig")
TIMED_OUT = 124  # as timeout(1) has it
_CHUNK = 1 << 16


class HungUp(Exception):
    """The host has closed the port."""


def main() -> None:
    while not PORT.exists():
        time.sleep(0.1)
    port = os.open(PORT, os.O_RDWR)
    while True:
        try:
            _serve_one(port)
        except HungUp:
            time.sleep(0.05)


def _serve_one(port: int) -> None:
    line, rest = b"", b""
    while b"\n" not in line:
        line += _read(port)
    line, _, rest = line.partition(b"\n")
    request = json.loads(line)
    given = os.memfd_create("in")
    missing = request["input"] - len(rest)
    os.write(given, rest)
    while missing > 0:
        piece = _read(port)
        _write(given, piece)
        missing -= len(piece)
    os.lseek(given, 0, os.SEEK_SET)
    out, err = os.memfd_create("out"), os.memfd_create("err")
    code = _run(request["command"], request["seconds"], given, out, err)
    sizes = [os.lseek(file, 0, os.SEEK_END) for file in (out, err)]
    _write(port, f"\n@{request['token']} {code} {sizes[0]} {sizes[1]}\n".encode())
    # A command that would not die may still write: no more than was announced.
    for file, size in zip((out, err), sizes, strict=True):
        for at in range(0, size, _CHUNK):
            _write(port, os.pread(file, min(_CHUNK, size - at), at))
    for file in (given, out, err):
        os.close(file)


def _run(command: str, seconds: float, given: int, out: int, err: int) -> int:
    environment = {
        "HOME": "/root",
        "LC_ALL": "C.UTF-8",
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    }
    process = subprocess.Popen(
        ["/bin/sh", "-c", command], stdin=given, stdout=out, stderr=err, cwd="/root", env=environment,
        start_new_session=True,
    )  # fmt: skip
    try:
        return process.wait(seconds)
    except subprocess.TimeoutExpired:
        # Not waited for: what hangs in a dead share dies when the kernel lets it.
        os.killpg(process.pid, signal.SIGKILL)
        return TIMED_OUT


def _read(port: int) -> bytes:
    found = os.read(port, _CHUNK)
    if not found:
        raise HungUp
    return found


def _write(to: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(to, left) :]


if __name__ == "__main__":
    main()
