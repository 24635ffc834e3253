"""Marks of those who read captures, which removal leaves alone meanwhile: `readers/<random>.json`.

A reader leaves its mark first, and then looks whether what it wants to read is still there; removal moves the record
first, and then looks for marks: so one of the two sees the other. Where a mark cannot be left (a share that cannot be
written, or is full), reading goes on without one, and the time that removed files spend in the trash has to do.

A mark beats, and is stale when it has not for a day by the server's clock, or its reader is known to be gone.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace

from backupctl.domain.errors import Malformed
from backupctl.domain.names import CAPTURE_ID, READER
from backupctl.formats.strict_json import Fields
from backupctl.share.lock import Claim, Holder, holder_of
from backupctl.share.storage import Sink, Storage

_FOLDER = "readers"
_SIZE = 4096  # of a mark, always: a beat overwrites it whole
BEAT_SECONDS = 600.0
_STALE_SECONDS = 86_400.0


@contextmanager
def reading(storage: Storage, claim: Claim, capture: str | None, beat_seconds: float = BEAT_SECONDS) -> Iterator[None]:
    """A mark for as long as the block lasts. `capture` None: all of them, and every part that there is."""
    holder = claim.holder()
    holder = replace(holder, doing=holder.doing[:200])
    name = f"{_FOLDER}/{secrets.token_hex(8)}.json"
    try:
        storage.make_folder(_FOLDER)
        sink = storage.create(name)
    except OSError:
        yield
        return
    ended = threading.Event()
    beats = threading.Thread(target=_beat, args=(sink, holder, capture, ended, beat_seconds), daemon=True)
    beats.start()
    try:
        with suppress(OSError):
            sink.write(_text(holder, capture))
            sink.sync()
            storage.sync_folder(_FOLDER)
        yield
    finally:
        ended.set()
        beats.join()
        with suppress(OSError):
            sink.close()
        with suppress(OSError):
            storage.unlink(name)


def _beat(sink: Sink, holder: Holder, capture: str | None, ended: threading.Event, seconds: float) -> None:
    while not ended.wait(seconds):
        holder = replace(holder, beat=holder.beat + 1)
        with suppress(OSError):  # the share is in trouble, which the reading itself is told
            sink.rewrite(_text(holder, capture))
            sink.sync()


def _text(holder: Holder, capture: str | None) -> bytes:
    text = json.dumps({"backupctl": "reader", **asdict(holder), "capture": capture}).encode()
    return text.ljust(_SIZE - 1) + b"\n"


@dataclass(frozen=True)
class Readers:
    """What is being read now: these captures, or `everything`. `names`: of who does, for people."""

    captures: frozenset[str] = frozenset()
    everything: bool = False
    names: tuple[str, ...] = ()


def readers_now(storage: Storage, server_time: float, is_gone: Callable[[Holder], bool | None]) -> Readers:
    """By their marks; stale ones are taken away. A mark that cannot be read is being written. Raises OSError."""
    captures, everything, names = set(), False, []
    for name in storage.names(_FOLDER):
        if not READER.fullmatch(name):
            continue
        mark = f"{_FOLDER}/{name}"
        try:
            age = server_time - storage.modified(mark)
            holder, capture = _read(storage, mark)
        except FileNotFoundError:
            continue
        if age >= _STALE_SECONDS or (holder is not None and is_gone(holder)):
            storage.unlink(mark)
            continue
        names.append(f"{holder.name} ({holder.doing})" if holder else "somebody")
        if capture is None:
            everything = True
        else:
            captures.add(capture)
    return Readers(frozenset(captures), everything, tuple(names))


def _read(storage: Storage, name: str) -> tuple[Holder | None, str | None]:
    try:
        fields = Fields.parse(name, storage.read(name, _SIZE))
        return holder_of(fields), fields.optional_text("capture", CAPTURE_ID)
    except Malformed:
        return None, None
