"""The lock of a shelf.

`busy/<generation>.json`, each made once with O_EXCL; the highest generation is the one in force, held or released, and
is never removed. So of many claimants of a stale lock exactly one makes the next generation, and a run that was blocked
and wakes up late can neither take nor remove what came after it.

The holder's counter beats in place. A lock is stale when its holder is known to be gone (same machine: another boot, or
no such process), or when its counter stood still for several beats of the *observer's* monotonic clock. Wall clocks are
never compared. (Locks of the file system itself are advice on SMB: a conflicting write was seen to succeed.)
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, replace

from backupctl.domain.errors import BackupctlError, Busy, Malformed, Refused
from backupctl.domain.names import LOCK
from backupctl.formats.strict_json import Fields
from backupctl.share.storage import Sink, Storage

BEAT_SECONDS = 10.0
STALE_BEATS = 6
_SIZE = 1024  # of the file, always: a beat overwrites it whole
_PROCESS_MOST = (1 << 31) - 1  # pid_t
_KEEP = 4  # generations; a client may see a directory as it was a second ago


@dataclass(frozen=True)
class Holder:
    """Who holds a lock. `host` is a hash of what identifies it; `boot` and `process` tell whether it still runs."""

    token: str
    host: str
    boot: str
    process: int
    born: str  # when the process was started, as the host counts; "" if it cannot tell
    name: str  # of the host, for people
    doing: str
    beat: int = 0
    released: bool = False


@dataclass(frozen=True)
class Claim:
    """Who wants the lock; `is_gone(holder)` tells whether a holder is known to have ended (None: cannot be known)."""

    host: str
    boot: str
    process: int
    born: str
    name: str
    doing: str
    is_gone: Callable[[Holder], bool | None]

    def holder(self) -> Holder:
        """Of something new that this run holds."""
        return Holder(secrets.token_hex(16), self.host, self.boot, self.process, self.born, self.name, self.doing)


class Lock:
    """A held lock; `check` before each step that must not happen without it."""

    def __init__(self, storage: Storage, generation: int, sink: Sink, holder: Holder, beat_seconds: float) -> None:
        self.generation = generation
        self.token = holder.token
        self.superseded: tuple[Holder, ...] = ()  # earlier holders that never gave their lock back
        self._storage = storage
        self._sink = sink
        self._holder = holder
        self._stop = threading.Event()
        self._beat_seconds = beat_seconds
        self._thread = threading.Thread(target=self._beat, name="lock", daemon=True)
        self._thread.start()

    def _beat(self) -> None:
        while not self._stop.wait(self._beat_seconds):
            self._holder = replace(self._holder, beat=self._holder.beat + 1)
            try:
                self._sink.rewrite(_text(self._holder))
                self._sink.sync()
            except OSError:
                continue  # the share is in trouble; the run itself will be told by its own writes

    def check(self) -> None:
        """Raises Busy if another run has taken over, BackupctlError if the lock has vanished."""
        newest = max(_generations(self._storage), default=0)
        if newest < self.generation:
            raise BackupctlError(
                "the lock of this run has gone from the share",
                "Its server has perhaps lost power, and what it had said to have kept. The next run sees to it.",
            )
        if newest > self.generation:
            raise Busy(
                "another run has taken over this board's shelf, because this one stood still for too long",
                "Nothing of this run counts. The next run goes on from what it had written.",
            )

    def release(self) -> None:
        """Says in the lock's own file that it is free."""
        self._stop.set()
        self._thread.join()
        try:
            self._sink.rewrite(_text(replace(self._holder, released=True)))
            self._sink.sync()
        finally:
            self._sink.close()


def acquire(
    storage: Storage,
    claim: Claim,
    *,
    beat_seconds: float = BEAT_SECONDS,
    wait: Callable[[float], None] = time.sleep,
) -> Lock:
    """Takes the lock of a shelf. Raises Busy if somebody holds it.

    A lock whose holder may be gone is watched for `STALE_BEATS` beats first, unless its counter moves sooner.
    """
    storage.make_folder("busy")
    generations = _generations(storage)
    current = generations[-1] if generations else 0
    if current:
        holder = _read(storage, current)
        if holder is None or not holder.released:
            _wait_until_stale(storage, current, holder, claim, beat_seconds, wait)
    mine = claim.holder()
    generation = current + 1
    try:
        sink = storage.create(_name(generation))
    except FileExistsError:
        raise _busy(_read(storage, generation)) from None
    lock = None
    try:
        try:
            sink.write(_text(mine))
            sink.sync()
        except OSError:
            # On a full share, say. It never was in force, and who comes next would have to watch it.
            sink.close()
            with suppress(OSError):
                storage.unlink(_name(generation))
            raise
        generations = _generations(storage)
        if generations[-1] != generation:
            raise _busy(_read(storage, generations[-1]))
        for old in generations[:-_KEEP]:
            storage.unlink(_name(old))
        storage.sync_folder("busy")
        lock = Lock(storage, generation, sink, mine, beat_seconds)
        earlier = [_read(storage, old) for old in generations[-_KEEP:-1]]
        lock.superseded = tuple(holder for holder in earlier if holder is not None and not holder.released)
        return lock
    finally:
        if lock is None:
            sink.close()


def holder_now(storage: Storage) -> Holder | None:
    """Who holds the lock, by what its file says; None if nobody does. May be stale."""
    generations = _generations(storage)
    holder = _read(storage, generations[-1]) if generations else None
    return None if holder is None or holder.released else holder


def _wait_until_stale(
    storage: Storage,
    generation: int,
    holder: Holder | None,
    claim: Claim,
    beat_seconds: float,
    wait: Callable[[float], None],
) -> None:
    """Returns once the lock is known to be stale. Raises Busy as soon as it is known not to be."""
    gone = claim.is_gone(holder) if holder else None
    if gone:
        return
    if gone is False:
        raise _busy(holder)
    for _ in range(STALE_BEATS):
        wait(beat_seconds)
        if max(_generations(storage), default=0) != generation:
            raise _busy(None)
        now = _read(storage, generation)
        if now is not None and now.released:
            return
        if now != holder:
            raise _busy(now or holder)


def _busy(holder: Holder | None) -> Busy:
    if holder is None:
        return Busy("another run has just taken this board's shelf", "Try again when it has ended.")
    return Busy(
        f"{holder.name} is at work on this board's shelf ({holder.doing}, process {holder.process})",
        "Try again when it has ended.",
    )


def _name(generation: int) -> str:
    return f"busy/{generation:010}.json"


def _generations(storage: Storage) -> list[int]:
    return [int(found[1]) for name in storage.names("busy") if (found := LOCK.fullmatch(name))]


def _text(holder: Holder) -> bytes:
    text = json.dumps(asdict(holder)).encode()
    if len(text) >= _SIZE and holder.doing:  # the path of a source may be long
        return _text(replace(holder, doing=holder.doing[: len(holder.doing) // 2]))
    if len(text) >= _SIZE:
        raise Refused("the name of this host is too long for a lock", "Shorten it.")
    return text.ljust(_SIZE - 1) + b"\n"


def _read(storage: Storage, generation: int) -> Holder | None:
    """None if the file is being written, was lost with a power cut, or is gone: then only waiting tells."""
    try:
        return holder_of(Fields.parse(_name(generation), storage.read(_name(generation), _SIZE)))
    except (Malformed, FileNotFoundError):
        return None


def holder_of(fields: Fields) -> Holder:
    """Raises Malformed."""
    return Holder(
        fields.text("token"), fields.text("host"), fields.text("boot"),
        fields.integer("process", 1, _PROCESS_MOST), fields.text("born"),
        fields.text("name"), fields.text("doing"), fields.integer("beat"), fields.flag("released"),
    )  # fmt: skip
