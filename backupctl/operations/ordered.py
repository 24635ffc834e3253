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
    jobs: Iterable[Job],
    work: Callable[[Job], Result],
    workers: int,
    at_once: int = 1,
    is_done: Callable[[Job], bool] = lambda _: False,
) -> Generator[Result, None, None]:
    """`work(job)` for each job, on `workers` threads, in order.

    Small jobs are handed over `at_once` together, since a hand-over between threads costs as much as hashing 1 MiB; and
    those that are as good as done (`is_done`, all of a bundle) not at all. At most three such bundles for each worker
    are under way or waiting to be taken, so memory is bounded by that many results. An exception of a job is raised
    when its turn comes; jobs that have begun are waited for on closing.
    """

    def work_all(bundle: list[Job]) -> list[Result]:
        return [work(job) for job in bundle]

    ahead = 3 * workers
    rest = iter(jobs)
    waiting: deque[Future[list[Result]] | list[Job]] = deque()

    def next_results() -> list[Result]:
        first = waiting.popleft()
        return work_all(first) if isinstance(first, list) else first.result()

    with ThreadPoolExecutor(workers, thread_name_prefix="worker") as pool:
        try:
            while bundle := list(islice(rest, at_once)):
                waiting.append(bundle if all(map(is_done, bundle)) else pool.submit(work_all, bundle))
                while len(waiting) >= ahead or (waiting and isinstance(waiting[0], list)):
                    yield from next_results()
            while waiting:
                yield from next_results()
        finally:
            for future in waiting:
                if isinstance(future, Future):
                    future.cancel()
