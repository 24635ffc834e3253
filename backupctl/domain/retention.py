"""Which captures stay, and why: the rule behind every thinning.

Captures are in order of their sequence, never of their dates. They are counted apart by lane (kind and card), by state,
and by whether their clock was trusted. Of those counted together, the newest of each of the last days, weeks, months
and years that have one stands for it. What stands for a period has done so since it was taken: what one thinning
removes, no later one wants, as long as policy and time zone stay the same.

Where the rule leaves a choice, less is lost:

- A capture whose clock was not trusted takes no other's place in a day that was perhaps not its own.
- Newest good, verified and drilled ones stay in each lane, also in that of a card long gone.
- Only good ones count as the newest that was verified or drilled.
- Where there are fewer good ones than `minimum`, the newest others make up for them.
- A continuation joins only a lane that begins after it: a second card that is captured all along stays apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum
from itertools import islice, takewhile
from typing import Literal

from backupctl.domain.events import Continued
from backupctl.domain.periods import PERIODS, day_words, local_day, numbers
from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.units import counted, span

_CLOCKS_DIFFER = timedelta(hours=1)  # forgiven between two machines
_PROVEN_AFTER = 3  # good captures of a new card
REMOVALS_MOST, REMOVALS_MOST_BUSY = 3, 10
_BUSY_CAPTURES, _BUSY_SPAN = 4, timedelta(hours=40)  # two a day are 36 hours from the first to the fourth


class Tier(StrEnum):
    """What keeps a capture, strongest first."""

    GUARDED = "guarded"
    YEARLY = "yearly"
    MONTHLY = "monthly"
    WEEKLY = "weekly"
    DAILY = "daily"
    RECENT = "recent"  # `newest`, `everything_for`, `minimum`
    SAFETY = "safety"  # whatever else always stays
    GOES = "goes"


_STANDING = (Tier.YEARLY, Tier.MONTHLY, Tier.WEEKLY, Tier.DAILY)


@dataclass(frozen=True)
class Candidate:
    """A capture, as the rule sees it. One whose bad ranges were accepted comes as good.

    `at` (aware; UTC is compared fastest) is when it was started; where its clock was not trusted, the newest time on
    the shelf before it that was, or else the first after it, or now. It must not depend on which captures are left.
    `lane`: as `CaptureRecord.lane`, the kind first. `guard`: the reason of one in force.
    """

    id: str
    sequence: int
    at: datetime
    trusted: bool
    lane: str
    state: Literal["good", "partial", "damaged"]
    guard: str | None = None
    verified: bool = False
    drilled: bool = False


@dataclass(frozen=True)
class Circumstances:
    """`now` is aware; `zone` is the board's. `hold`: why everything stays, in words; None if nothing speaks for it.

    `continued`: where the board went on with another card, or was replaced. What goes on is the first lane of the same
    kind that begins after it; both are counted as one. The old newest good capture stays until the new card or board
    has three good ones, one of which has passed a drill.
    """

    now: datetime
    zone: tzinfo
    hold: str | None = None
    continued: tuple[Continued, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """Whether a capture stays. `because`: what of the policy decides, and why, in words; the strongest first."""

    id: str
    because: tuple[tuple[Tier, str], ...]

    @property
    def stays(self) -> bool:
        return self.tier is not Tier.GOES

    @property
    def tier(self) -> Tier:
        return self.because[0][0]

    @property
    def reasons(self) -> tuple[str, ...]:
        return tuple(words for _, words in self.because)


@dataclass(frozen=True)
class Plan:
    """Verdicts, oldest first. `held`: why nothing goes. `unusual`: why somebody should look before it is applied."""

    verdicts: tuple[Verdict, ...]
    held: str | None
    unusual: str | None

    @property
    def goes(self) -> tuple[str, ...]:
        return tuple(verdict.id for verdict in self.verdicts if not verdict.stays)


# Something that speaks for a capture, or (of the tier GOES) says why it goes if nothing does.
_Reason = tuple[Candidate, Tier, str]


def plan(candidates: Iterable[Candidate], policy: RetentionPolicy, circumstances: Circumstances) -> Plan:
    """What a thinning does to these captures, whose order does not matter."""
    captures = sorted(candidates, key=lambda capture: (capture.sequence, capture.id), reverse=True)  # newest first
    held = circumstances.hold or _in_the_future(captures, circumstances)
    reasons: defaultdict[str, list[tuple[Tier, str]]] = defaultdict(list)
    lanes = _lanes(captures, circumstances.continued)
    for capture, tier, words in _reasons(captures, lanes, policy, circumstances):
        reasons[capture.id].append((tier, words))
    verdicts = tuple(_verdict(capture.id, reasons[capture.id], held) for capture in reversed(captures))
    return Plan(verdicts, held, _unusual(sum(not verdict.stays for verdict in verdicts), captures, policy))


def _reasons(
    captures: Sequence[Candidate],
    lanes: dict[str, list[Candidate]],
    policy: RetentionPolicy,
    circumstances: Circumstances,
) -> Iterator[_Reason]:
    """For each capture, the strongest first."""
    for capture in captures:
        if capture.guard is not None:
            yield capture, Tier.GUARDED, f"guarded, {capture.guard}" if capture.guard else "guarded"
    for lane in lanes.values():
        alike: defaultdict[tuple[str, bool], list[Candidate]] = defaultdict(list)
        for capture in lane:
            alike[capture.state, capture.trusted].append(capture)
        for group in alike.values():
            yield from _standing(group, policy, circumstances)
        yield from _recent(lane, policy, circumstances.now)
        yield from _safe(lane)
    yield from _protected(captures, lanes, circumstances.continued)


def _standing(group: Sequence[Candidate], policy: RetentionPolicy, circumstances: Circumstances) -> Iterator[_Reason]:
    """Which captures of one lane, newest first, stand for a period."""
    this_year = local_day(circumstances.now, circumstances.zone).year
    counts = (policy.yearly, policy.monthly, policy.weekly, policy.daily)
    kind = _kind_of_group(group[0])
    among = f" among {kind}ones" if kind else ""
    spans = [f"the last {counted(count, period.noun)}" for period, count in zip(PERIODS, counts, strict=True) if count]
    too_old = f"older than {spans[0]} with a {kind}capture" if spans else "not among those that the policy keeps"
    # Of years, months, weeks and days: those that have somebody who stands for them.
    taken: list[set[int]] = [set() for _ in PERIODS]
    tiers = tuple(zip(_STANDING, PERIODS, counts, taken, strict=True))
    for capture in group:
        day = local_day(capture.at, circumstances.zone)
        stands, why_not = False, too_old
        for number, (tier, period, count, others) in zip(numbers(day), tiers, strict=True):
            if number in others:
                why_not = f"its {period.noun} has a newer {kind}one"
            elif len(others) < count:
                others.add(number)
                stands = True
                yield capture, tier, f"stands for {period.words(day, this_year)}{among}"
        if not stands:
            yield capture, Tier.GOES, why_not


def _kind_of_group(capture: Candidate) -> str:
    """What sets apart those that a capture is counted with, as a word before theirs: empty for the good ones."""
    return ("" if capture.state == "good" else f"{capture.state} ") + ("" if capture.trusted else "undated ")


def _recent(lane: Sequence[Candidate], policy: RetentionPolicy, now: datetime) -> Iterator[_Reason]:
    # In UTC: two times of one zone are compared by what its clocks show, whatever the clocks were put to in between.
    since = now.astimezone(UTC) - timedelta(seconds=policy.everything_for)
    for capture in lane:
        if policy.everything_for and capture.at > since:
            yield capture, Tier.RECENT, f"not older than {span(policy.everything_for)}"
    for state in ("good", "partial", "damaged"):
        for capture in [capture for capture in lane if capture.state == state][: policy.newest]:
            yield capture, Tier.RECENT, f"among the newest {policy.newest}"
    good_first = sorted(lane, key=lambda capture: capture.state != "good")
    among = f"among the {policy.minimum} that stay" if policy.minimum > 1 else "the one that stays"
    for capture in good_first[: policy.minimum]:
        yield capture, Tier.RECENT, f"{among} in any case"


def _safe(lane: Sequence[Candidate]) -> Iterator[_Reason]:
    """The last of each that may be needed on the bad day."""
    good = [capture for capture in lane if capture.state == "good"]
    for capture in good[:1]:
        yield capture, Tier.SAFETY, "the newest good one"
    for capture in [capture for capture in good if capture.verified][:1]:
        yield capture, Tier.SAFETY, "the newest that was verified"
    for capture in [capture for capture in good if capture.drilled][:1]:
        yield capture, Tier.SAFETY, "the newest that passed a drill"
    since = takewhile(lambda capture: capture.state != "good", lane)
    for capture in [capture for capture in since if capture.state == "partial"][:1]:
        yield capture, Tier.SAFETY, "the last that could be read of its card"


def _protected(
    captures: Sequence[Candidate], lanes: dict[str, list[Candidate]], continued: Iterable[Continued]
) -> Iterator[_Reason]:
    """The last good captures of cards that were replaced, until the new ones are proven."""
    there = {capture.id: capture for capture in captures}
    for continuation in continued:
        old = there.get(continuation.capture or "")
        if old is None:
            continue
        lane = next(lane for lane in lanes.values() if old in lane)
        good = [capture for capture in lane if capture.sequence > continuation.sequence and capture.state == "good"]
        new = [capture for capture in good if continuation.what == "board" or capture.lane != continuation.lane]
        if len(new) < _PROVEN_AFTER or not any(capture.drilled for capture in new):
            missing = f"{_PROVEN_AFTER} good captures and a passed drill"
            yield old, Tier.SAFETY, f"the last of the old {continuation.what}, until the new one has {missing}"


def _lanes(captures: Sequence[Candidate], continued: Iterable[Continued]) -> dict[str, list[Candidate]]:
    """Captures that are counted together, newest first."""
    name = {capture.lane: capture.lane for capture in captures}  # of a lane: the one that it is counted with
    for continuation in continued:
        follower = _follower(continuation, captures) if continuation.lane in name else None
        if follower is not None:
            old, new = name[continuation.lane], name[follower]
            name = {lane: new if joined == old else joined for lane, joined in name.items()}
    lanes: defaultdict[str, list[Candidate]] = defaultdict(list)
    for capture in captures:
        lanes[name[capture.lane]].append(capture)
    return lanes


def _follower(continuation: Continued, captures: Sequence[Candidate]) -> str | None:
    """The lane that goes on with that of a continuation; a new board may have the old card."""
    others = {capture.lane for capture in captures if capture.sequence < continuation.sequence} - {continuation.lane}
    if continuation.what == "card":
        others.add(continuation.lane)
    kind = continuation.lane.partition(" ")[0]
    after = [
        capture.lane
        for capture in captures
        if capture.sequence > continuation.sequence
        and capture.lane not in others
        and capture.lane.partition(" ")[0] == kind
    ]
    return after[-1] if after else None  # the newest comes first


def _verdict(id: str, reasons: list[tuple[Tier, str]], held: str | None) -> Verdict:
    keeping = [reason for reason in reasons if reason[0] is not Tier.GOES]
    if held and not keeping:
        keeping = [(Tier.SAFETY, f"nothing is removed now: {held}")]
    return Verdict(id, tuple(keeping or reasons))


def _in_the_future(captures: Iterable[Candidate], circumstances: Circumstances) -> str | None:
    latest = circumstances.now.astimezone(UTC) + _CLOCKS_DIFFER
    for capture in captures:
        if capture.trusted and capture.at > latest:
            day = day_words(local_day(capture.at, circumstances.zone), 0)
            return f"the capture {capture.id} was taken on {day}, which is yet to come; discard it if that is wrong"
    return None


def _unusual(removals: int, captures: Iterable[Candidate], policy: RetentionPolicy) -> str | None:
    most = policy.max_removals or (REMOVALS_MOST_BUSY if _is_busy(captures) else REMOVALS_MOST)
    if removals <= most:
        return None
    return f"{counted(removals, 'capture')} would go, and no more than {most} at once are usual"


def _is_busy(captures: Iterable[Candidate]) -> bool:
    """Whether several captures come in a day, of whatever kind and card; the newest come first."""
    trusted = (capture.at.astimezone(UTC) for capture in captures if capture.trusted)
    newest = list(islice(trusted, _BUSY_CAPTURES))
    return len(newest) == _BUSY_CAPTURES and newest[0] - newest[-1] <= _BUSY_SPAN
