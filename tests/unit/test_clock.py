"""When a clock is believed. What is expected is the rule itself, in words beside each row."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from backupctl.domain.clock import distrust

BUILT = datetime(2026, 11, 1, tzinfo=UTC)
NOW = datetime(2026, 12, 1, 3, 0, tzinfo=UTC)
MINUTES = timedelta(minutes=1)
SERVER_ELSEWHERE = NOW.astimezone(timezone(timedelta(hours=9)))


@pytest.mark.parametrize(
    ("now", "newest", "synchronised", "server", "why"),
    [
        (NOW, None, True, None, None),
        (NOW, None, None, None, None),  # no time service: the rest has to do
        (BUILT - MINUTES, None, True, None, "before this version"),
        (NOW, NOW + 59 * MINUTES, True, None, None),  # written by a machine whose clock is a little ahead
        (NOW, NOW + 61 * MINUTES, True, None, "newest event"),
        (NOW, None, False, None, "time service"),
        (NOW, None, False, NOW + 30 * MINUTES, None),  # the server vouches for it
        (NOW, None, False, SERVER_ELSEWHERE, None),
        (NOW, None, False, NOW + 61 * MINUTES, "time service"),
        (NOW, None, False, NOW - 61 * MINUTES, "time service"),
        (NOW, None, None, NOW + 59 * MINUTES, None),
        (NOW, None, None, NOW + 24 * 60 * MINUTES, "the server's"),  # one of them is wrong, and nobody knows which
        (NOW, None, True, NOW - 300 * MINUTES, None),  # a service's word is better than the server's
        (BUILT - MINUTES, None, False, BUILT - MINUTES, "before this version"),  # both can be wrong
        (NOW, NOW + 61 * MINUTES, False, NOW, "newest event"),
    ],
)
def test_a_clock(
    now: datetime, newest: datetime | None, synchronised: bool | None, server: datetime | None, why: str | None
) -> None:
    found = distrust(now, BUILT, newest, synchronised, server)
    assert found is None if why is None else found is not None and why in found
