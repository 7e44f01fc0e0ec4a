"""What a run found: figures beside their targets, times, and both as JSON that a later run is compared with."""

import json
import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.clients import Took
from tests.bench.machine import Load
from tests.bench.promises import Target, all_targets

FORM = 1
"""Of the JSON; a file of another form is not compared."""
MOVED_ERRORS = 3.0
"""Standard errors, of both runs together, from which a figure has moved (our choice)."""
MOVED_SHARE = 0.05
"""And at least this share: what two runs of one code differed by on a machine at work (our choice)."""
MAD_TO_SD, SD_TO_MEDIANS_ERROR = 1.4826, 1.2533
"""Of a normal distribution: sd over median absolute deviation; standard error of a median over that of a mean."""


@dataclass(frozen=True)
class Figure:
    """One figure: its name, of which history or shop it is, its value and unit; `error` is its standard error as a share
    of it (None: measured once, so not known), `base_ms` what its base took where it is a ratio of times, `pulls` the size of its history."""

    name: str
    value: float
    unit: str
    of: str = ""
    pulls: int = 0
    error: float | None = None
    base_ms: float | None = None
    by_cpu: float | None = None
    most: float | None = None

    @property
    def key(self) -> str:
        """By what it is found again in another run."""
        return f"{self.name} | {self.of}" if self.of else self.name

    @property
    def target(self) -> Target | None:
        """What it must keep to: its own limit, or the promises'."""
        if self.most is not None:
            return Target(self.name, most=self.most)
        return TARGETS.get(self.name)

    @property
    def verdict(self) -> str:
        """`reached`, `MISSED`, or nothing where no limit is for it."""
        target = self.target
        if target is None or not target.promised_for(self.pulls):
            return ""
        return "reached" if target.reached(self.value, self.base_ms) else "MISSED"


TARGETS: Mapping[str, Target] = {target.figure: target for target in all_targets()}


@dataclass(frozen=True)
class Times:
    """How long a kind of request took: median and 95th percentile over all of a run [ms], answers per second, CPU of the
    service and its database for each [ms], and each round's median [ms]."""

    name: str
    of: str
    pulls: int
    clients: int
    median_ms: float
    p95_ms: float
    per_second: float
    cpu_ms: float | None
    rounds_ms: tuple[float, ...]


@dataclass
class Results:
    """All that a run found."""

    date: str
    commit: str
    changed: bool
    options: Mapping[str, Any]
    machine: Mapping[str, Any]
    load_before: Load
    load_after: Load | None = None
    figures: list[Figure] = field(default_factory=list)
    times: list[Times] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def add(self, figures: Iterable[Figure], times: Iterable[Times] = (), said: Iterable[str] = ()) -> None:
        """Take in what a part of the bench found."""
        self.figures += figures
        self.times += times
        self.said += said

    @property
    def missed(self) -> int:
        """How many figures missed their target."""
        return sum(figure.verdict == "MISSED" for figure in self.figures)


def percentile(values: Sequence[float], share: float) -> float:
    """The value under which that share of them lies (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(math.ceil(share * len(ordered)) - 1, 0)]


def median_with_error(values: Sequence[float]) -> tuple[float, float | None]:
    """The median of a figure's rounds, and its standard error as a share of it; None of a single round."""
    middle = statistics.median(values)
    if len(values) < 2 or not middle:
        return middle, None
    spread = MAD_TO_SD * statistics.median(abs(value - middle) for value in values)
    return middle, SD_TO_MEDIANS_ERROR * spread / math.sqrt(len(values)) / abs(middle)


def times_of(name: str, of: str, pulls: int, clients: int, rounds: Sequence[Took]) -> Times:
    """A kind of request's times, over all of its rounds."""
    every = [ms for one in rounds for ms in one.each_ms]
    cpu = [one.cpu_ms for one in rounds if one.cpu_ms is not None]
    return Times(
        name=name,
        of=of,
        pulls=pulls,
        clients=clients,
        median_ms=statistics.median(every),
        p95_ms=percentile(every, 0.95),
        per_second=statistics.median(one.per_second for one in rounds),
        cpu_ms=statistics.median(cpu) if cpu else None,
        rounds_ms=tuple(one.median_ms for one in rounds),
    )


def write_results(results: Results, path: Path) -> None:
    """Keep a run as JSON."""
    document = {
        "form": FORM,
        **{name: value for name, value in asdict(results).items() if name not in ("figures", "times")},
        "figures": [{**asdict(one), "key": one.key, "limit": limit_of(one), "verdict": one.verdict}
                    for one in results.figures],
        "times": [asdict(one) for one in results.times],
    }  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def limit_of(figure: Figure) -> float | None:
    """The limit of a figure, where it has one."""
    return figure.target.limit(figure.base_ms) if figure.target else None


class UnreadableError(Exception):
    """A results file that cannot be compared with; the text says why."""


def read_results(path: Path) -> Mapping[str, Any]:
    """An earlier run's document."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UnreadableError(f"--compare {path}: {error}; give a file that --results wrote") from error
    if not isinstance(document, dict) or document.get("form") != FORM:
        raise UnreadableError(
            f"--compare {path} is not of this bench's form; run both commits with one bench"
        )
    return document


@dataclass(frozen=True)
class Change:
    """A figure now and then, and whether it moved by more than the noise."""

    key: str
    then: float
    now: float
    unit: str
    moved: bool

    @property
    def ratio(self) -> float:
        """Now over then."""
        return self.now / self.then


def changes(results: Results, earlier: Mapping[str, Any]) -> list[Change]:
    """Every figure that both runs have, in the order of this one; one of zero has no ratio and is left out."""
    before = {one["key"]: one for one in earlier["figures"]}
    return [
        Change(one.key, then, one.value, one.unit, has_moved(one, before[one.key]))
        for one in results.figures
        if one.key in before and (then := before[one.key]["value"]) and one.value
    ]


def has_moved(now: Figure, then: Mapping[str, Any]) -> bool:
    """The rule: by more than 3 standard errors of both medians together, and by 5 % at least."""
    change = abs(math.log(now.value / then["value"])) if now.value / then["value"] > 0 else math.inf
    noise = math.hypot(now.error or 0.0, then["error"] or 0.0)
    return change > max(MOVED_ERRORS * noise, math.log1p(MOVED_SHARE))
