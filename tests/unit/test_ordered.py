"""Results in the order of the jobs, whoever works on them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing

import pytest

from backupctl.operations.ordered import in_order

JOBS = range(100)


def is_even(job: int) -> bool:
    return job % 2 == 0


@pytest.mark.parametrize("at_once", [1, 3, 200])
@pytest.mark.parametrize("done", [set(), {0, 1, 2, 50, 51, 99}, set(range(0, 100, 2)), set(JOBS)])
def test_results_are_in_the_order_of_the_jobs(at_once: int, done: set[int]) -> None:
    found = in_order(JOBS, lambda job: job * job, 3, at_once, is_done=done.__contains__)
    assert list(found) == [job * job for job in JOBS]


def test_only_what_is_not_done_is_handed_over_to_a_worker() -> None:
    here = threading.get_ident()
    found = list(in_order(JOBS, lambda job: (job, threading.get_ident() == here), 2, is_done=is_even))
    assert found == [(job, is_even(job)) for job in JOBS]


@pytest.mark.parametrize("is_done", [lambda _: False, is_even, lambda _: True])
def test_no_more_jobs_are_begun_than_memory_is_there_for(is_done: Callable[[int], bool]) -> None:
    begun: list[int] = []

    def jobs() -> Iterator[int]:
        for job in JOBS:
            begun.append(job)
            yield job

    with closing(in_order(jobs(), lambda job: job, 2, is_done=is_done)) as results:
        for taken, _ in enumerate(results, 1):
            assert len(begun) <= taken + 3 * 2


@pytest.mark.parametrize("wrong", [40, 41])
def test_an_error_comes_when_its_turn_has(wrong: int) -> None:
    def work(job: int) -> int:
        if job == wrong:
            raise ValueError
        return job

    taken = []
    with pytest.raises(ValueError), closing(in_order(JOBS, work, 2, is_done=is_even)) as results:
        for result in results:
            taken.append(result)
    assert taken == list(range(wrong))
