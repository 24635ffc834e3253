"""What a thinning says of the room that it gave back."""

from __future__ import annotations

import pytest

from backupctl.domain.freed import given_back, is_kept

MIB = 1 << 20


@pytest.mark.parametrize(
    ("removed", "freed", "kept"),
    [
        (0, 0, False),
        (3 * MIB, 0, False),  # so little may have been taken by others meanwhile
        (8 * MIB, 8 * MIB, False),
        (8 * MIB, 4 * MIB, False),
        (8 * MIB, 4 * MIB - 1, True),
        (8 * MIB, 0, True),
    ],
)
def test_room_is_said_to_be_given_back_where_the_share_shows_it(removed: int, freed: int, kept: bool) -> None:
    assert is_kept(removed, freed) is kept
    assert ("given back" in given_back(removed, freed)) is not kept
