"""One client, and several at once: each on a keep-alive line of its own, in a thread of its own.

Requests are made beforehand and an answer is read to its end without being understood, so the clients themselves take
little; how much of a core they took is measured (`Crowd.cpu_s`) and stands in the report.
"""

import statistics
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from types import TracebackType

from tests.bench.line import Line
from tests.bench.meter import Meter

JOIN_S = 300.0


@dataclass(frozen=True)
class Took:
    """What a round of requests took: each one [ms], all of them from the first to the last [s], and the CPU of the service
    and its database for each on average [ms]; None where it was not looked at."""

    each_ms: tuple[float, ...]
    wall_s: float
    cpu_ms: float | None = None

    @property
    def median_ms(self) -> float:
        """Median over the round's requests [ms]."""
        return statistics.median(self.each_ms)

    @property
    def per_second(self) -> float:
        """Requests answered per second, by all clients together."""
        return len(self.each_ms) / self.wall_s


class WrongAnswerError(RuntimeError):
    """A request was answered otherwise than it had to be."""


def timed(line: Line, request: bytes, status: int, name: str) -> float:
    """One request's time [ms]; any other status than the one expected is an error."""
    began = time.perf_counter()
    answered, _, body = line.send(request)
    took = time.perf_counter() - began
    if answered != status:
        raise WrongAnswerError(f"{name} answered {answered}, not {status}: {body.decode()[:500]}")
    return 1000.0 * took


def one_client(
    line: Line, make: Callable[[], bytes], times: int, status: int, name: str, meter: Meter
) -> Took:
    """So many requests one after the other; making them is not counted."""
    each, cpu_ms = [], 0.0
    line.refresh()
    meter.look()
    for _ in range(times):
        request, before = make(), meter.cpu_ms()
        each.append(timed(line, request, status, name))
        cpu_ms += meter.cpu_ms() - before
    return Took(tuple(each), sum(each) / 1000.0, cpu_ms / times)


class Crowd:
    """Several clients of one service."""

    def __init__(self, url: str, token: str, count: int) -> None:
        self._lines = ExitStack()
        self.lines = [self._lines.enter_context(Line(url, token)) for _ in range(count)]
        self.cpu_s = 0.0
        self.wall_s = 0.0

    def __enter__(self) -> "Crowd":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lines.close()

    def took(self, requests: Sequence[bytes], status: int, name: str, meter: Meter) -> Took:
        """Send these, dealt out evenly, all clients beginning at one moment."""
        dealt = [requests[n :: len(self.lines)] for n in range(len(self.lines))]
        each: list[list[float]] = [[] for _ in dealt]
        faults: list[BaseException] = []
        start = threading.Barrier(len(dealt) + 1)

        def client(number: int) -> None:
            start.wait()
            try:
                each[number] = [timed(self.lines[number], one, status, name) for one in dealt[number]]
            except Exception as fault:
                faults.append(fault)

        threads = [threading.Thread(target=client, args=(n,), daemon=True) for n in range(len(dealt))]
        for thread in threads:
            thread.start()
        for line in self.lines:
            line.refresh()
        meter.look()
        start.wait()
        began, used, before = time.perf_counter(), time.process_time(), meter.cpu_ms()
        for thread in threads:
            thread.join(JOIN_S)
        wall = time.perf_counter() - began
        self.cpu_s += time.process_time() - used
        self.wall_s += wall
        if faults:
            raise faults[0]
        return Took(tuple(ms for one in each for ms in one), wall, (meter.cpu_ms() - before) / len(requests))

    @property
    def cpu_share(self) -> float:
        """Share of one core that the clients themselves took while they asked."""
        return self.cpu_s / self.wall_s if self.wall_s else 0.0
