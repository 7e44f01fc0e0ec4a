"""Several things at the same time, each in a thread of its own; what one of them raised is raised where they were begun."""

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import TypeVar

Answer = TypeVar("Answer")


def all_at_once(work: Sequence[Callable[[], Answer]]) -> list[Answer]:
    """What each of these answers, in their order; none begins before all are ready."""
    gate = threading.Barrier(len(work))

    def one(do: Callable[[], Answer]) -> Answer:
        gate.wait()
        return do()

    with ThreadPoolExecutor(len(work)) as threads:
        return list(threads.map(one, work))


@contextmanager
def meanwhile(*work: Callable[[], object]) -> Iterator[None]:
    """The block runs while these do; it ends when they have."""
    with ThreadPoolExecutor(len(work)) as threads:
        begun = [threads.submit(do) for do in work]
        yield
    for one in begun:
        one.result()


@contextmanager
def again_and_again(*work: Callable[[], object], every_s: float = 0.0) -> Iterator[None]:
    """The block runs while each of these is done over and over."""
    over = threading.Event()

    def repeat(do: Callable[[], object]) -> None:
        while not over.is_set():
            do()
            over.wait(every_s)

    with meanwhile(*(partial(repeat, do) for do in work)):
        try:
            yield
        finally:
            over.set()
