"""A policy: what to capture, how, and with how much care. Read from TOML; unknown keys are errors."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from backupctl.domain.drill import EVERY, NEVER
from backupctl.domain.errors import UsageError
from backupctl.domain.files_policy import IMAGE, KINDS, FilesPolicy, check_files
from backupctl.domain.notify_policy import NotifyPolicy, check_notify
from backupctl.domain.quantities import parse_size, parse_span
from backupctl.domain.scratch import SCRATCH_FOLDER
from backupctl.domain.units import size, span


@dataclass(frozen=True)
class CapturePolicy:
    """`[capture]`: what a capture is."""

    kind: str = IMAGE  # or "files"


@dataclass(frozen=True)
class ImagePolicy:
    """`[image]`: what of a card comes along."""

    leave_out: tuple[int, ...] = ()  # partitions by number: their table entries stay, their contents do not come along
    live: str = "tracked"  # or "paused", "refuse": how a card that is in use is captured
    freeze_memory: int = 32 << 20  # bytes: what may be read while everything on the card is frozen
    max_freeze: int = 2  # seconds, until somebody thaws it whatever happens
    max_rounds: int = 12  # of reading again what was written meanwhile


@dataclass(frozen=True)
class QuiescePolicy:
    """`[quiesce]`: what is done so that files which are written meanwhile are captured as they were in one instant."""

    sqlite: bool = False  # databases in WAL mode are copied by SQLite itself


@dataclass(frozen=True)
class HooksPolicy:
    """`[hooks]`: commands for a card that is in use, each a list of a program and its arguments."""

    only_when: tuple[str, ...] = ()  # the run is put off unless this ends with 0
    before: tuple[str, ...] = ()  # before the card is frozen
    after: tuple[str, ...] = ()  # after it is thawed, whatever has happened
    stop: tuple[str, ...] = ()  # names of services that are stopped while the card is frozen, and started again
    deadline: int = 30  # seconds that each may take


@dataclass(frozen=True)
class StorePolicy:
    """`[store]`: how segments are written."""

    level: int = 3  # of zstd
    sync_every: int = 64 << 20  # bytes: what a failed sync can lose, and what the share is asked to hold unsynced
    identity: str = "xxh3-128"  # or "sha256"; used when a shelf is made
    standalone: bool = False  # one more file, a whole card in one zstd frame, beside each record
    read_back: bool = True  # what a run wrote is read again, past the cache, before it counts


@dataclass(frozen=True)
class PacePolicy:
    """`[pace]`: how much of the board a capture may take."""

    rate: int = 0  # bytes a second read from the card; 0 is no limit
    nice: int = 10
    idle_io: bool = True
    workers: int = 0  # 0: by cores and memory


@dataclass(frozen=True)
class SchedulePolicy:
    """`[schedule]`: when nights are. Spans are in seconds."""

    when: str = "*-*-* 03:17"  # as `formats/calendar_event.py` reads it
    random_delay: int = 20 * 60  # up to so much later, always the same on one board
    window: int = 6 * 3600  # for which a night that came to nothing is tried again
    retry_every: int = 45 * 60
    overdue: int = 36 * 3600  # since the newest good capture was begun


@dataclass(frozen=True)
class NightPolicy:
    """`[night]`: what a night does besides its capture."""

    verify_nights: int = 30  # nights in which everything is read back once; 0: none of it
    drill: str = "monthly"  # or one of `domain.drill.EVERY`, or "never"
    scratch: str = SCRATCH_FOLDER  # the folder in which a drill rebuilds a capture
    stall: int = 600  # seconds without any progress, after which a run is ended


@dataclass(frozen=True)
class RetentionPolicy:
    """`[retention]`: which captures stay. Counts are of periods that have a capture; see `domain/retention.py`."""

    daily: int = 7
    weekly: int = 4
    monthly: int = 12
    yearly: int = 3
    newest: int = 0  # so many, whatever their date
    everything_for: int = 36 * 3600  # seconds: whatever is younger
    minimum: int = 3  # good captures that there are at least, as long as there have been so many
    max_removals: int = 0  # more than that at once is asked about; 0: 3, or 10 where several captures come in a day


@dataclass(frozen=True)
class SpacePolicy:
    """`[space]`: what is done to give room back, and to keep no copy for too long."""

    rewrite_dead: int = 60  # percent of a part that nothing needs, from which on the rest is moved; 100: never
    rewrite_traffic: int = 1 << 30  # bytes moved so in a night
    renew_after: int = 180 * 86_400  # seconds, after which a segment that is seen again is written anew; 0: never
    renew_traffic: int = 256 << 20  # bytes written anew in a night
    reserve: int = 10  # percent of the share, but at most one whole capture, that a night leaves free


@dataclass(frozen=True)
class ClockPolicy:
    """`[clock]`: what is thought of this machine's."""

    trust: str = "auto"  # or "always"


@dataclass(frozen=True)
class Policy:
    """A whole policy, by the name of its file."""

    name: str = "standard"
    capture: CapturePolicy = field(default_factory=CapturePolicy)
    image: ImagePolicy = field(default_factory=ImagePolicy)
    files: FilesPolicy = field(default_factory=FilesPolicy)
    quiesce: QuiescePolicy = field(default_factory=QuiescePolicy)
    hooks: HooksPolicy = field(default_factory=HooksPolicy)
    store: StorePolicy = field(default_factory=StorePolicy)
    pace: PacePolicy = field(default_factory=PacePolicy)
    schedule: SchedulePolicy = field(default_factory=SchedulePolicy)
    night: NightPolicy = field(default_factory=NightPolicy)
    retention: RetentionPolicy = field(default_factory=RetentionPolicy)
    space: SpacePolicy = field(default_factory=SpacePolicy)
    clock: ClockPolicy = field(default_factory=ClockPolicy)
    notify: NotifyPolicy = field(default_factory=NotifyPolicy)

    def for_record(self) -> dict[str, Any]:
        """What a capture says of it, for whoever can read the share: not who is told, and how."""
        return {key: value for key, value in asdict(self).items() if key != "notify"}


_SIZES = {"sync_every", "rate", "freeze_memory", "rewrite_traffic", "renew_traffic"}
SPANS = {"everything_for", "renew_after", "random_delay", "window", "retry_every", "overdue", "stall"}
_MOST_KEPT = 1000
_BOUNDS = {
    "level": (1, 19),
    "sync_every": (1 << 20, 1 << 30),
    "nice": (0, 19),
    "workers": (0, 64),
    "rate": (0, 1 << 40),
    "freeze_memory": (1 << 20, 1 << 30),
    "max_freeze": (1, 3600),
    "deadline": (1, 3600),
    "max_rounds": (2, 100),
    "random_delay": (0, 12 * 3600),
    "window": (3600, 7 * 86_400),
    "retry_every": (5 * 60, 86_400),
    "overdue": (3600, 400 * 86_400),
    "verify_nights": (0, 1000),
    "stall": (180, 86_400),
    "daily": (0, _MOST_KEPT),
    "weekly": (0, _MOST_KEPT),
    "monthly": (0, _MOST_KEPT),
    "yearly": (0, 100),
    "newest": (0, _MOST_KEPT),
    "everything_for": (0, 366 * 86_400),
    "minimum": (1, _MOST_KEPT),
    "max_removals": (0, _MOST_KEPT),
    "rewrite_dead": (50, 100),
    "rewrite_traffic": (0, 1 << 40),
    "renew_after": (0, 3660 * 86_400),
    "renew_traffic": (0, 1 << 40),
    "reserve": (0, 50),
    "mail_port": (1, 65535),
}


def parse_policy(name: str, text: str) -> Policy:
    """Raises UsageError: not TOML, an unknown key (with the nearest right one), or a value that cannot be."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"policy {name} is not valid TOML: {error}") from None
    sections = {
        "capture": CapturePolicy,
        "image": ImagePolicy,
        "files": FilesPolicy,
        "quiesce": QuiescePolicy,
        "hooks": HooksPolicy,
        "store": StorePolicy,
        "pace": PacePolicy,
        "schedule": SchedulePolicy,
        "night": NightPolicy,
        "retention": RetentionPolicy,
        "space": SpacePolicy,
        "clock": ClockPolicy,
        "notify": NotifyPolicy,
    }
    _known(name, document, sections)
    made: dict[str, Any] = {}
    for key, section in sections.items():
        table = document.get(key, {})
        if not isinstance(table, dict):
            raise UsageError(f"policy {name}: [{key}] is not a table")
        made[key] = _section(f"{name}, [{key}]", section, table)
    if made["capture"].kind not in KINDS:
        raise UsageError(f"policy {name}, [capture]: kind is {' or '.join(KINDS)}")
    if made["image"].live not in ("tracked", "paused", "refuse"):
        raise UsageError(f"policy {name}, [image]: live is tracked, paused or refuse")
    if made["store"].identity not in ("xxh3-128", "sha256"):
        raise UsageError(f"policy {name}, [store]: identity is xxh3-128 or sha256")
    if made["clock"].trust not in ("auto", "always"):
        raise UsageError(f"policy {name}, [clock]: trust is auto or always")
    if made["night"].drill not in (*EVERY, NEVER):
        raise UsageError(f"policy {name}, [night]: drill is {', '.join(EVERY)} or {NEVER}")
    if not made["night"].scratch.startswith("/"):
        raise UsageError(f"policy {name}, [night]: scratch is not the whole path of a folder")
    for key, check in (("files", check_files), ("notify", check_notify)):
        try:
            check(made[key])
        except ValueError as error:
            raise UsageError(f"policy {name}, [{key}]: {error}") from None
    return Policy(name=name, **made)


def _known(where: str, found: Mapping[str, object], known: Mapping[str, object]) -> None:
    for key in found:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            raise UsageError(
                f"policy {where}: there is no key {key!r}",
                f"Did you mean {near[0]!r}?" if near else f"Known are: {', '.join(known)}.",
            )


def _section(where: str, section: type[Any], table: Mapping[str, object]) -> object:
    known = {item.name: item for item in fields(section)}
    _known(where, table, known)
    values = {}
    for key, value in table.items():
        default = getattr(section(), key)
        # What is meant for [notify] may be a secret.
        given = "of another kind" if section is NotifyPolicy else repr(value)
        if key in SPANS and type(value) is int and value != 0:
            raise UsageError(f"policy {where}: {key} is {value}: of what?", "Like '45 min', '36 h', '10 d' or '2 w'.")
        if key in _SIZES | SPANS and isinstance(value, str):
            try:
                value = parse_size(value) if key in _SIZES else parse_span(value)
            except ValueError as error:
                raise UsageError(f"policy {where}: {key}: {error}") from None
        if isinstance(default, tuple):
            if not isinstance(value, list):
                raise UsageError(f"policy {where}: {key} is {given}, not a list", f"Like {key} = [...].")
            of = int if section is ImagePolicy else str
            if not all(type(item) is of for item in value):
                raise UsageError(f"policy {where}: {key} is {given}, not a list of {of.__name__}")
            value = tuple(value)
        if type(value) is not type(default):
            raise UsageError(f"policy {where}: {key} is {given}, not like {default!r}")
        if isinstance(value, int) and key in _BOUNDS:
            check_bounds(f"policy {where}: {key}", key, value)
        values[key] = value
    return section(**values)


def check_bounds(where: str, key: str, value: int) -> None:
    """`key`: one of a number, a size in bytes or a span in seconds. Raises UsageError, `where` in front."""
    low, high = _BOUNDS[key]
    if not low <= value <= high:
        words = size if key in _SIZES else span if key in SPANS else str
        raise UsageError(f"{where} is {words(value)}, not within {words(low)} and {words(high)}")
