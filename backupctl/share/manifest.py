"""The manifest: one immutable file for each event; old ones folded, a thousand lines to a file.

An event is written under another name, synced, and renamed to its own. Two runs that believe in the same sequence make
two files (the names have random tails), and readers order them by name.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import asdict, dataclass

from backupctl.domain.errors import Malformed
from backupctl.domain.events import Event, History, fold
from backupctl.domain.names import EVENT, FOLDED_EVENTS
from backupctl.formats.strict_json import Fields
from backupctl.share.storage import Storage, write_whole

_EVENT_MOST = 64 << 20
_FOLD_FROM = 400  # single files; a directory listing over a slow link is what they cost
_FOLD_KEEP = 100


@dataclass(frozen=True)
class Manifest:
    """All events that could be read, in order, and words about those that could not."""

    events: tuple[Event, ...]
    problems: tuple[str, ...]

    @property
    def history(self) -> History:
        return fold(self.events)


def read_manifest(storage: Storage) -> Manifest:
    """Raises OSError only for the folder itself; a damaged event is a problem in words, not the end of all."""
    found: dict[tuple[int, str], Event] = {}
    problems: list[str] = []
    for name in storage.names("manifest"):
        path = f"manifest/{name}"
        try:
            if EVENT.fullmatch(name):
                events = [_event(path, storage.read(path, _EVENT_MOST))]
            elif FOLDED_EVENTS.fullmatch(name):
                events = [_event(path, line) for line in storage.read(path, _EVENT_MOST).splitlines()]
            else:
                continue
        except FileNotFoundError:
            continue  # folded and unlinked; SMB lists it for as long as somebody holds it open
        except (Malformed, OSError) as error:
            problems.append(f"an event of the manifest cannot be read: {error}")
            continue
        for event in events:
            found[event.sequence, event.token] = event
    return Manifest(tuple(found[key] for key in sorted(found)), tuple(problems))


def _event(name: str, text: bytes) -> Event:
    fields = Fields.parse(name, text)
    return Event(
        fields.integer("sequence", high=9_999_999_999), fields.text("token"), fields.text("kind"), fields.text("time"),
        fields.flag("trusted"), fields.raw_object("by"), fields.raw_object("body"),
    )  # fmt: skip


def append_event(storage: Storage, event: Event) -> None:
    """Writes one event; when this returns it is there to stay. Raises OSError."""
    name = f"manifest/{event.sequence:010}-{event.token}"
    storage.make_folder("manifest")
    write_whole(storage, f"{name}.new", _line(event))
    storage.rename(f"{name}.new", f"{name}.json")
    storage.sync_folder("manifest")


def _line(event: Event) -> bytes:
    return (json.dumps(asdict(event), ensure_ascii=False) + "\n").encode(errors="replace")  # see strict_json.dump


def fold_old_events(storage: Storage) -> None:
    """Puts the oldest single events into one file, once there are many. Call with the lock held.

    A crash leaves events in both places at worst, and readers take each once.
    """
    names = [name for name in storage.names("manifest") if EVENT.fullmatch(name)]
    if len(names) < _FOLD_FROM:
        return
    old: dict[str, Event] = {}
    for name in names[:-_FOLD_KEEP]:
        try:
            old[name] = _event(name, storage.read(f"manifest/{name}", _EVENT_MOST))
        except Malformed:
            continue  # stays where it is, for a person to look at
    if not old:
        return
    folded = f"manifest/{min(old)[:10]}-{max(old)[:10]}-{secrets.token_hex(4)}"
    write_whole(storage, f"{folded}.new", b"".join(_line(event) for event in old.values()))
    storage.rename(f"{folded}.new", f"{folded}.jsonl")
    storage.sync_folder("manifest")
    for name in old:
        storage.unlink(f"manifest/{name}")
