"""A small process that thaws what its parent has frozen, when the parent is late or has ended.

It is forked before anything of a share is opened (a share that is dead keeps whoever merely closes a descriptor of
it), and gets the descriptors of the mount points over a socket once they are known. Its own memory is locked, since
locks are not inherited (mlockall(2)), the kernel does not end it for want of memory, and it has a session of its own,
so that it survives what ends its parent's group. While something is frozen it does nothing but wait, look whether its
parent lives, and thaw.
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import signal
import socket
import struct
import time
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Self

from backupctl.board.locked_memory import lock_all_memory
from backupctl.board.pace import go_first
from backupctl.domain.errors import BackupctlError, Refused

_FITHAW = 0xC0045878  # linux/fs.h on x86 and arm

_MOST_FILE_SYSTEMS = 64  # the kernel passes at most 253 descriptors at once (SCM_MAX_FD, unix(7))
_READY, _READY_UNEXEMPT, _ARMED, _QUIET, _THAWED = b"ready", b"ready, not exempt", b"armed", b"quiet", b"thawed"
_DISARM = b"disarm"
_DEADLINE = struct.Struct("=d")  # an order to watch: seconds

# How long its answers may take. After a thaw that is under way, the thaw comes first.
_ANSWER_SECONDS = 30.0
# A file system is not frozen yet while its freeze waits for writers (freeze_super in the kernel's fs/super.c), and the
# next one may be frozen after the thaw: once it is late, it thaws so often, until it is told that all is over.
_AGAIN_SECONDS = 0.05
# A child of the parent may hold the parent's end of the socket, so the end of the parent is looked for as well.
_PARENT_SECONDS = 0.1
_IDLE_SECONDS = 5.0


class WatchdogFailed(BackupctlError):
    """The watchdog does not answer: nothing may be frozen."""


class Watchdog:
    """Forks on `__enter__`, ends its child on `__exit__`: thawed, if it was armed.

    Locking the child's memory takes as long as copying it, and is waited for where it is needed only.
    """

    def __enter__(self) -> Self:
        """To be entered before threads are started."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        parent = os.getpid()
        self._child = os.fork()
        if self._child == 0:
            try:
                ours.close()
                _watch(theirs, parent)
            finally:
                os._exit(0)
        theirs.close()
        self._socket = ours
        ours.settimeout(_ANSWER_SECONDS)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._socket.close()
        os.waitpid(self._child, 0)

    @property
    def process(self) -> int:
        """Its number."""
        return self._child

    @cached_property
    def exempt(self) -> bool:
        """Whether the kernel will not end it for want of memory.

        Raises Refused if it cannot lock its memory, WatchdogFailed if it does not answer: nobody would watch then.
        """
        answer = self._answer()
        if answer not in (_READY, _READY_UNEXEMPT):
            raise Refused(f"nobody can watch over a freeze: {answer.decode(errors='replace')}")
        return answer == _READY

    def arm(self, fds: Sequence[int], seconds: float) -> None:
        """Has it thaw the file systems of `fds`, last first, unless `disarm` is called within `seconds`.

        `fds` stand in the order of freezing. Returns once it watches. Raises WatchdogFailed if it does not answer,
        Refused as `exempt`.
        """
        _ = self.exempt  # that it is ready comes before all other answers
        try:
            socket.send_fds(self._socket, [_DEADLINE.pack(seconds)], list(fds))
        except OSError as error:
            raise WatchdogFailed(f"the watchdog over the freeze has gone: {error.strerror}") from error
        if self._answer() != _ARMED:
            raise WatchdogFailed("the watchdog over the freeze gave no sense")

    def disarm(self) -> bool:
        """Ends the watch. Whether it came to thaw anything: then what was read is of no one instant.

        Raises WatchdogFailed if it does not answer, which means the same.
        """
        try:
            self._socket.send(_DISARM)
        except OSError as error:
            raise WatchdogFailed(f"the watchdog over the freeze has gone: {error.strerror}") from error
        return self._answer() == _THAWED

    def _answer(self) -> bytes:
        try:
            answer = self._socket.recv(4096)
        except OSError as error:
            raise WatchdogFailed(f"the watchdog over the freeze does not answer: {error.strerror or error}") from error
        if not answer:
            raise WatchdogFailed("the watchdog over the freeze has gone")
        return answer


def _watch(connection: socket.socket, parent: int) -> None:
    """The child's life."""
    os.setsid()
    os.chdir("/")
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    # Whoever reads what the parent writes must see its end, and nothing is to be kept open or mounted by this process.
    own = connection.fileno()
    os.closerange(0, own)
    os.closerange(own + 1, 1 << 16)
    go_first()
    try:
        lock_all_memory()
    except Refused as error:
        connection.send(error.cause.encode())
        return
    try:
        Path("/proc/self/oom_score_adj").write_text("-1000")
    except OSError:
        connection.send(_READY_UNEXEMPT)  # a container without CAP_SYS_RESOURCE
    else:
        connection.send(_READY)
    while True:
        order, fds = _next_order(connection, parent, _IDLE_SECONDS)
        if order == b"":
            return
        if order is None:
            continue
        if len(order) != _DEADLINE.size:
            connection.send(_QUIET)  # called over what had not begun
            continue
        connection.send(_ARMED)
        thawed = _guard(connection, parent, fds, _DEADLINE.unpack(order)[0])
        for fd in fds:
            os.close(fd)
        if thawed is None:
            return
        connection.send(_THAWED if thawed else _QUIET)


def _next_order(connection: socket.socket, parent: int, seconds: float) -> tuple[bytes | None, list[int]]:
    """What the parent says; None if it says nothing for so long, empty if it has ended."""
    if not select.select([connection], [], [], seconds)[0]:
        return None if os.getppid() == parent else b"", []
    try:
        order, fds, _, _ = socket.recv_fds(connection, 64, _MOST_FILE_SYSTEMS)
    except ConnectionError:
        return b"", []
    return order, fds


def _guard(connection: socket.socket, parent: int, fds: list[int], seconds: float) -> bool | None:
    """Whether anything was thawed before the parent called it over; None if the parent has ended."""
    deadline = time.monotonic() + seconds
    thawed = False
    while True:
        left = deadline - time.monotonic()
        if left <= 0:
            thawed |= _thaw_backwards(fds)
        order, _ = _next_order(connection, parent, _AGAIN_SECONDS if left <= 0 else min(left, _PARENT_SECONDS))
        if order == b"":
            _thaw_backwards(fds)
            return None
        if order is not None:
            return thawed


def _thaw_backwards(fds: list[int]) -> bool:
    thawed = False
    for fd in reversed(fds):
        try:
            thawed |= thaw(fd)
        except OSError:
            pass  # The others are still to be thawed, and there is nobody to tell.
    return thawed


def thaw(fd: int) -> bool:
    """Thaws the file system of an open directory; False if it was not frozen, or cannot be.

    Waits for a freeze that is under way. Raises OSError otherwise.
    """
    try:
        fcntl.ioctl(fd, _FITHAW, 0)
    except OSError as error:
        if error.errno in (errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTTY):
            return False
        raise
    return True
