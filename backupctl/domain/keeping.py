"""Which captures a policy will keep, night by night: of those that there are, and of one for each night to come."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from backupctl.domain.policy import RetentionPolicy
from backupctl.domain.retention import Candidate, Circumstances, Tier, plan

Kept = tuple[tuple[int, Tier], ...]  # captures by position, oldest first, and why they stay


@dataclass(frozen=True)
class Keeping:
    """`kept[n]`: what is there after the thinning of night n.

    `gone`: for each capture by position, the night whose thinning takes it away; the number of nights if none does.
    """

    times: tuple[datetime, ...]
    interval: float  # seconds between two
    kept: tuple[Kept, ...]
    gone: tuple[int, ...]
    _ends: dict[tuple[int, int], int] = field(default_factory=dict, repr=False, compare=False)

    def end_of(self, first: int, last: int) -> int:
        """In which night something goes that the captures from `first` to `last` hold."""
        found = self._ends.get((first, last))
        if found is None:
            found = self._ends[first, last] = max(self.gone[first : last + 1])
        return found


def keep(
    policy: RetentionPolicy, captures: Sequence[Candidate], times: Sequence[datetime], today: Circumstances
) -> Keeping:
    """`captures`: those that there are, in order (at least one); `times`: of those to come, all good.

    They are verified and drilled if any is now, so that no old one stays for having been the last.
    """
    last = captures[-1]
    verified, drilled = any(c.verified for c in captures), any(c.drilled for c in captures)
    positions = {candidate.id: position for position, candidate in enumerate(captures)}
    there = list(captures)
    gone = [len(times)] * (len(captures) + len(times))
    kept = []
    shared: dict[tuple[int, Tier], tuple[int, Tier]] = {}  # most stay the same for many nights, of thousands
    for night, at in enumerate(times):
        id = f"to come {night}"
        positions[id] = len(captures) + night
        there.append(
            replace(
                last, id=id, sequence=last.sequence + 1 + night, at=at, trusted=True, state="good", guard=None,
                verified=verified, drilled=drilled,
            )
        )  # fmt: skip
        verdicts = plan(there, policy, replace(today, now=at, hold=None)).verdicts
        stay = {verdict.id for verdict in verdicts if verdict.stays}
        for verdict in verdicts:
            if not verdict.stays:
                gone[positions[verdict.id]] = night
        there = [candidate for candidate in there if candidate.id in stay]
        reasons = ((positions[verdict.id], verdict.tier) for verdict in verdicts if verdict.stays)
        kept.append(tuple(shared.setdefault(reason, reason) for reason in reasons))
    interval = (times[-1] - last.at).total_seconds() / len(times)
    return Keeping(tuple(times), interval, tuple(kept), tuple(gone))
