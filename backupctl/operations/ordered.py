"""Work on several threads, with results in the order of the jobs and only so many of them at once."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def in_order(
    jobs: Iterable[Job], work: Callable[[Job], Result], workers: int, at_once: int = 1
) -> Generator[Result, None, None]:
    """`work(job)` for each job, on `workers` threads, in order.

    Small jobs are handed over `at_once` together, since a hand-over between threads costs as much as hashing 1 MiB. At
    most three such bundles for each worker are under way or waiting to be taken, so memory is bounded by that many
    results. An exception of a job is raised when its turn comes; jobs that have begun are waited for on closing.
    """

    def work_all(bundle: list[Job]) -> list[Result]:
        return [work(job) for job in bundle]

    ahead = 3 * workers
    rest = iter(jobs)
    waiting: deque[Future[list[Result]]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="worker") as pool:
        try:
            while bundle := list(islice(rest, at_once)):
                waiting.append(pool.submit(work_all, bundle))
                if len(waiting) >= ahead:
                    yield from waiting.popleft().result()
            while waiting:
                yield from waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()
