"""Which lines of two texts differ, against counting them all."""

from __future__ import annotations

import random
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from backupctl.share.line_changes import line_changes

LINES = st.lists(st.binary(max_size=30).map(lambda line: line.replace(b"\n", b"") + b"\n"), max_size=60)


def text(lines: dict[int, int], width: int = 32) -> bytes:
    """As contents are: the offset of each stretch, and what it holds."""
    return b"".join(b"%d\t262144\tdata\t%0*x\n" % (place << 18, width, lines[place]) for place in sorted(lines))


def check(old: bytes, new: bytes) -> tuple[int, int]:
    """That both results are what they claim to be; how long they are."""
    changes = list(line_changes(old, new))
    gone = [line for lines, _ in changes for line in lines]
    come = [line for _, lines in changes for line in lines]
    before, after = Counter(old.split(b"\n")[:-1]), Counter(new.split(b"\n")[:-1])
    assert not Counter(gone) - before
    assert not Counter(come) - after
    assert before - Counter(gone) == after - Counter(come)
    return len(gone), len(come)


@given(LINES, LINES, LINES, LINES)
def test_what_is_left_out_is_the_same_in_both(
    start: list[bytes], a: list[bytes], b: list[bytes], end: list[bytes]
) -> None:
    check(b"".join(start + a + end), b"".join(start + b + end))
    check(b"".join(a + start), b"".join(end + a))


@given(st.data())
def test_lines_that_stay_in_order(data: st.DataObject) -> None:
    chance = random.Random(data.draw(st.integers(0, 1 << 32)))
    old = {place: chance.getrandbits(64) for place in chance.sample(range(3000), chance.randrange(1, 600))}
    new = dict(old)
    for place in chance.sample(sorted(old), min(len(old), chance.choice([0, 1, 5, 300]))):
        del new[place]
    for _ in range(chance.choice([0, 1, 5, 300])):
        new[chance.randrange(3000)] = chance.getrandbits(64)
    gone, come = check(text(old), text(new))
    changed = sum(old.get(place) != new.get(place) for place in old | new)
    assert gone + come <= 60 * changed, "a lone change makes no more than a block or two be looked at"


def test_a_long_stretch_that_goes_or_comes_does_not_make_the_rest_differ() -> None:
    old = {place: place for place in range(20_000)}
    new = {place: content for place, content in old.items() if not 3000 <= place < 9000}
    gone, come = check(text(old), text(new))
    assert 6000 <= gone < 6100
    assert come < 100
    assert check(text(new), text(old)) == (come, gone)


def test_a_line_here_and_there() -> None:
    """Every fiftieth line, each in a block of its own."""
    old = {place: place for place in range(20_000)}
    new = {place: content + (1 << 40) * (place % 50 == 7) for place, content in old.items()}
    assert check(text(old), text(new)) == (400, 400)


def test_the_first_and_the_last_line() -> None:
    assert check(b"", b"1\ta\n") == (0, 1)
    assert check(b"1\ta\n", b"") == (1, 0)
    assert check(b"1\ta\n", b"1\ta\n") == (0, 0)
    same = text({place: place for place in range(100)})
    assert check(same, same) == (0, 0)
    assert check(same, same + b"99999999\tx\n")[1] <= 12
    assert check(b"99999999\tx\n" + same, same)[0] <= 12


def test_numbers_are_compared_as_numbers() -> None:
    old = {place: place for place in range(0, 3000, 3)}
    new = {place: content for place, content in old.items() if place > 150} | {1: 1}
    gone, come = check(text(old), text(new))
    assert gone < 100
    assert come < 50
