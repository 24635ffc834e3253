"""A run on a shelf: the lock, the manifest as it was, and the events that the run adds."""

from __future__ import annotations

import errno
import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from functools import partial
from typing import Any, TypeVar

from backupctl import BUILT
from backupctl.domain.clock import distrust
from backupctl.domain.errors import BackupctlError, Interrupted, NoRoom
from backupctl.domain.events import Event, History, fold, kind_of_run
from backupctl.operations.facts import Facts
from backupctl.operations.kept_events import keep, kept, read_kept
from backupctl.operations.progress import Reporter, Step, Stop
from backupctl.share.ballast import BALLAST, give_up_ballast, make_ballast_of_the_rest
from backupctl.share.captures import list_captures
from backupctl.share.lock import BEAT_SECONDS, Lock, acquire
from backupctl.share.manifest import append_event, fold_old_events, read_manifest
from backupctl.share.server_clock import server_time
from backupctl.share.shelf import Shelf
from backupctl.share.trash import close_open_trays

_Result = TypeVar("_Result")

_LOST = "it ended without a word"


class Session:
    """What a run knows of its shelf, and how it writes to the manifest.

    `witness`: what the server's clock said, once it was asked; None where the server is this machine.
    """

    witness: datetime | None = None
    _has_asked = False

    def __init__(self, shelf: Shelf, facts: Facts, reporter: Reporter) -> None:
        self.shelf = shelf
        self.facts = facts
        self.reporter = reporter
        manifest = read_manifest(shelf.storage)
        self.problems = list(manifest.problems)
        self._events = list(manifest.events)
        self.history: History = manifest.history
        self.clock_distrust = clock_distrust(self.history, facts)

    def event(self, kind: str, body: dict[str, Any], must_arrive: bool = False) -> int:
        """Adds an event; its sequence. One that cannot reach the share is kept on this machine for the next run.

        One that `must_arrive` raises OSError instead.
        """
        event = self.made(kind, body)
        try:
            append_event(self.shelf.storage, event)
        except OSError as error:
            if must_arrive:
                raise
            self.reporter.note(f"the manifest cannot be written: {error}")
            try:
                keep(self.facts.state_folder, self.shelf.mark.id, event)
                self.reporter.note("The event is kept on this machine, for the next run.")
            except OSError as also:
                self.reporter.note(f"The event cannot be kept on this machine either ({also}), and is lost.")
        self._events.append(event)
        self.history = fold(self._events)
        return event.sequence

    def made(self, kind: str, body: dict[str, Any]) -> Event:
        """An event that comes next. Its time counts as trusted only if the server's clock has nothing against it."""
        if not self._has_asked:
            self._judge_clock(server_says(self.shelf))
        return Event(
            sequence=self.history.last_sequence + 1,
            token=secrets.token_hex(4),
            kind=kind,
            time=self.facts.now().isoformat(timespec="seconds"),
            trusted=self.clock_distrust is None,
            by=self.facts.by(),
            body=body,
        )

    def _judge_clock(self, witness: datetime | None) -> None:
        self._has_asked, self.witness = True, witness
        self.clock_distrust = clock_distrust(self.history, self.facts, witness)

    def deliver_kept_events(self) -> None:
        """Events that an earlier run could not write, under new sequences and with their own times."""
        for path in kept(self.facts.state_folder, self.shelf.mark.id):
            try:
                event = read_kept(path, self.history.last_sequence + 1)
            except BackupctlError as error:
                self.reporter.note(f"a kept event cannot be read and stays where it is: {error}")
                continue
            append_event(self.shelf.storage, event)
            path.unlink()
            self._events.append(event)
            self.history = fold(self._events)


def clock_distrust(history: History, facts: Facts, server: datetime | None = None) -> str | None:
    """Why this machine's clock is not trusted; None if it is. `server`: what the clock of the share's server says."""
    if facts.clock_vouched:
        return None
    newest = history.last_time
    built = datetime.fromisoformat(f"{BUILT}T00:00:00+00:00")
    try:
        newest_event = datetime.fromisoformat(newest) if newest else None
        return distrust(facts.now(), built, newest_event, facts.synchronised, server)
    except (ValueError, TypeError):
        return f"the newest event on the share has no time that can be read ({newest!r})"


def server_says(shelf: Shelf) -> datetime | None:
    """The time by the clock of a server that is another machine, and can vouch for this one's; None if not known."""
    if shelf.mark.same_machine:
        return None
    try:
        return _witness(shelf, server_time(shelf.storage))
    except OSError:
        return None  # a share that may only be read


def _witness(shelf: Shelf, time: float) -> datetime | None:
    return None if shelf.mark.same_machine else datetime.fromtimestamp(time, UTC)


class HeldSession(Session):
    """A session with the shelf's lock.

    `server_time`: the server's clock as it began, seconds since 1970; ages of files on the shelf are told by that.
    """

    def __init__(self, shelf: Shelf, facts: Facts, reporter: Reporter, lock: Lock) -> None:
        super().__init__(shelf, facts, reporter)
        self.lock = lock
        self.server_time = server_time(shelf.storage)
        self._judge_clock(_witness(shelf, self.server_time))


def _wait(reporter: Reporter, stop: Stop | None, seconds: float) -> None:
    reporter.step(Step("another run holds the shelf; watching whether it still beats", 0, 0))
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        if stop is not None:
            stop.check()
        time.sleep(min(left, 0.2))


@contextmanager
def hold(
    shelf: Shelf,
    facts: Facts,
    reporter: Reporter,
    doing: str,
    beat_seconds: float = BEAT_SECONDS,
    stop: Stop | None = None,
) -> Iterator[HeldSession]:
    """The lock for as long as the block lasts. What ends the block early becomes an event. Raises Busy.

    The first word of `doing` says what kind of run it is: `capture`, `thinning`.

    `stop` ends the wait for a lock that may be stale.

    An OSError in the block is taken for the share's; what else may fail there has to have an error of its own.
    """
    try:
        lock = acquire(
            shelf.storage, facts.claim(doing), beat_seconds=beat_seconds, wait=partial(_wait, reporter, stop)
        )
    except OSError as error:
        raise share_failed(error) from error
    try:
        session = _told_of_earlier_holders(shelf, facts, reporter, lock)
        try:
            session.deliver_kept_events()
            reporter.run(shelf.mark.id, session.made("failed", _end(doing, BackupctlError(_LOST))))
            yield session
        except Interrupted as error:
            session.event("interrupted", _end(doing, error))
            raise
        except BackupctlError as error:
            session.event("failed", _end(doing, error))
            raise
        except OSError as error:
            failure = share_failed(error)
            session.event("failed", _end(doing, failure))
            raise failure from error
        try:
            fold_old_events(shelf.storage)
        except OSError as error:
            reporter.note(f"the manifest could not be tidied ({error}); the next run tries again")
    finally:
        _release(lock, reporter)
        reporter.run(shelf.mark.id, None)


def _end(doing: str, error: BackupctlError) -> dict[str, Any]:
    said = {"what": kind_of_run(doing), "doing": doing, "cause": error.cause, "exit": int(error.exit_code)}
    return said | ({"room": True} if isinstance(error, NoRoom) else {})


def _told_of_earlier_holders(shelf: Shelf, facts: Facts, reporter: Reporter, lock: Lock) -> HeldSession:
    """A session whose manifest says of each run whose lock was taken over which of its captures count.

    What such a run has committed counts, and is made to stay; what it may still commit, should it wake up, does not.
    """
    try:
        close_open_trays(shelf.storage, lock)  # before anything is relied on that such a run might still take away
        session = HeldSession(shelf, facts, reporter, lock)
        for holder in lock.superseded:
            if holder.token in session.history.superseded:
                continue
            captures = list_captures(shelf.storage, shelf.mark, session.history)
            theirs = [record.id for record in captures.records if record.lock == holder.token]
            for id in theirs:
                shelf.storage.sync_folder(f"captures/{id}")
            told = {"lock": holder.token, "from": holder.name, "doing": holder.doing, "captures": theirs}
            session.event("took-over", told)
    except OSError as error:
        raise share_failed(error) from error
    return session


def share_failed(error: OSError) -> BackupctlError:
    """What the share said, and what to do about it."""
    kept = "What was on the shelf before is as it was, and the next run goes on from what this one wrote."
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return NoRoom(f"there is no room left on the share: {error}", f"Make room on the NAS. {kept}")
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return BackupctlError(f"the share cannot be written to: {error}", f"May this user write there? {kept}")
    return BackupctlError(f"the share failed: {error}", f"Look at the NAS, and the network between. {kept}")


def _release(lock: Lock, reporter: Reporter) -> None:
    try:
        lock.release()
    except OSError as error:
        reporter.note(f"the lock could not be given back ({error}); the next run finds that this one has ended")


def with_ballast(shelf: Shelf, work: Callable[[], _Result]) -> _Result:
    """On a share that is so full that not even a removal can be written down, gives up the ballast for it."""
    try:
        return work()
    except NoRoom:
        if not give_up_ballast(shelf.storage):
            raise
        return work()


def say_of_shelf(
    shelf: Shelf, facts: Facts, reporter: Reporter, doing: str, stop: Stop, say: Callable[[HeldSession], _Result]
) -> _Result:
    """What `say` gives, called with the lock held: for what somebody says of a shelf, an event or two.

    On a full share they take of the ballast, and what is left of that becomes ballast again: the next thinning, for
    which they often are said, will need it. Raises Busy, NoRoom, OSError of the share as BackupctlError.
    """

    def work() -> _Result:
        with hold(shelf, facts, reporter, doing, stop=stop) as held:
            return say(held)

    had_ballast = shelf.storage.size(BALLAST) is not None
    try:
        return with_ballast(shelf, work)
    finally:
        if had_ballast:
            with suppress(OSError):
                make_ballast_of_the_rest(shelf.storage)
