"""What `scripts/bench` measures as one year simulated: a card with 60 000 segments in use, 2 % changed a night."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

from backupctl.domain.assumptions import Assumptions, assumed
from backupctl.domain.forecast import forecast, nights_to_come
from backupctl.domain.policy import Policy
from backupctl.domain.retention import Circumstances
from backupctl.domain.segments import SEGMENT_BYTES
from backupctl.operations.keeping.forecast import RUNS, YEAR

at = datetime(2026, 11, 24, 3, 17, tzinfo=UTC)
shelf, nights = assumed(Assumptions(60_000 * SEGMENT_BYTES), SEGMENT_BYTES, at, YEAR)
times = nights_to_come(at, timedelta(days=1), YEAR)
found = forecast(
    shelf,
    nights,
    Policy().retention,
    Policy().space,
    times,
    Circumstances(at, UTC),
    [random.Random(run).random for run in range(RUNS)],
)
print(found.low[-1], found.median[-1], found.high[-1])
