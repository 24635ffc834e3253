"""How long a capture would take, by what a sample of it took and what the share has just shown."""

from __future__ import annotations

from backupctl.board import pace
from backupctl.operations.preflight.situation import Situation

_BESIDES = 10.0  # seconds for what does not grow with the source: looking for the share, rounds, the freeze, the record


def seconds_for(situation: Situation, by_one: float, read: int, written: int) -> int | None:
    """`by_one`: seconds that one thread would take to read and compress `read` bytes; writing goes on meanwhile.

    None where the share's rates were not measured.
    """
    probed, policy = situation.probed, situation.policy
    if probed is None:
        return None
    at_pace = read / policy.pace.rate if policy.pace.rate else 0.0
    reading = max(by_one / (policy.pace.workers or pace.workers()), at_pace)
    read_back = written / probed.read if policy.store.read_back else 0.0
    return round(max(reading, written / probed.written) + read_back + _BESIDES)
