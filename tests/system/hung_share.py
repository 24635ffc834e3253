"""A share whose server has taken a request and never answers: whoever waits for it cannot even be killed.

It stands in for a network share behind a server that has gone. It is FUSE: a request that its daemon has read is waited
for uninterruptibly once the process was killed (request_wait_answer() in fs/fuse/dev.c of the kernel, from memory).
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.system.loop_device import need

# linux/fuse.h, protocol 7.31: the header of a request (length, opcode, unique, ...), the answer to FUSE_INIT, and none
# to any other. It ends with whoever started it, so that nobody waits for ever.
_DAEMON = """
import ctypes, os, signal, struct, sys
fuse = int(sys.argv[1])
ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG
while True:
    request = os.read(fuse, 1 << 20)
    _, opcode, unique = struct.unpack_from("<IIQ", request)
    if opcode == 26:
        answer = struct.pack("<IIIIHHIIHHI28x", 7, 31, 0, 0, 0, 0, 1 << 17, 1, 0, 0, 0)
        os.write(fuse, struct.pack("<IiQ", 16 + len(answer), 0, unique) + answer)
"""


@contextmanager
def hung_share(folder: Path) -> Iterator[Path]:
    """Mounted at `folder`, which is made. At the end, whoever waits is told that there is no connection."""
    need("mount")
    if os.geteuid() != 0:
        pytest.skip("needs root, to mount")
    if not Path("/dev/fuse").exists():
        pytest.skip("needs the kernel's FUSE")
    folder.mkdir()
    fuse = os.open("/dev/fuse", os.O_RDWR)
    try:
        options = f"fd={fuse},rootmode=40000,user_id=0,group_id=0"
        command = ["mount", "--internal-only", "-t", "fuse", "-o", options, "nas", str(folder)]
        subprocess.run(command, check=True, pass_fds=(fuse,))
        daemon = subprocess.Popen([sys.executable, "-c", _DAEMON, str(fuse)], pass_fds=(fuse,))
    finally:
        os.close(fuse)
    try:
        yield folder
    finally:
        daemon.kill()
        daemon.wait()
        subprocess.run(["umount", "--lazy", folder], check=True)
