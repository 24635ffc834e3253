"""Work on several threads, with results in the order of the jobs and only so many of them at once."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def in_order(jobs: Iterable[Job], work: Callable[[Job], Result], workers: int) -> Generator[Result, None, None]:
    """`work(job)` for each job, on `workers` threads, in order.

    At most three jobs for each worker are under way or waiting to be taken, so memory is bounded by that many results.
    An exception of a job is raised when its turn comes; jobs that have begun are waited for on closing.
    """
    ahead = 3 * workers
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="worker") as pool:
        try:
            for job in jobs:
                waiting.append(pool.submit(work, job))
                if len(waiting) >= ahead:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()
