"""What is measured against what."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from uuid import uuid4

from tests.bench.history import FEW_PART, MANY_PART, PLATFORM, posts
from tests.bench.line import Line, header_of

FIRST_POST = 1000


@dataclass(frozen=True)
class Case:
    """One kind of request: what a fresh one is, the answer it must get, and the ratio it should reach."""

    name: str
    request: Callable[[], bytes]
    base: str
    target: float | None = None
    status: int = 200
    times: int = 20


def every_case(line: Line) -> list[Case]:
    """All of them, `ping` and `row` first: the others are ratios to these."""
    get = fixed(line)
    row = f"/v1/platforms/{PLATFORM}"
    gain = f"/v1/typical-gain?platform={PLATFORM}&part="
    many, few = gain + MANY_PART, gain + FEW_PART
    spread = f"/v1/platforms/{PLATFORM}/stock-spread"
    listing = "/v1/sessions?limit=50"
    level = levels()
    scalars = "&curve=false&pairs=false"
    return [
        Case("ping (no database)", get("/v1/health"), "ping (no database)"),
        Case("row (one platform)", get(row), "row (one platform)"),
        Case("row over ping", get(row), "ping (no database)"),
        Case("gain scalars, 14 cars", new(line, few + scalars, level), "row (one platform)", 1.5),
        Case("gain scalars, 50 cars", new(line, many + scalars, level), "row (one platform)", 1.5),
        Case("the same, first after a change", changed(line, many + scalars), "row (one platform)", times=8),
        Case("gain scalars, 50 cars, cached", get(many + scalars), "row (one platform)", 1.5),
        Case("gain curve, 14 cars", new(line, few + "&pairs=false", level), "row (one platform)", 2.0),
        Case("gain curve, 50 cars", new(line, many + "&pairs=false", level), "row (one platform)", 2.0),
        Case(
            "the same, first after a change ",
            changed(line, many + "&pairs=false"),
            "row (one platform)",
            times=8,
        ),
        Case("gain in full, 50 cars", new(line, many, level), "row (one platform)"),
        Case("gain in full, 50 cars, cached", get(many), "row (one platform)", 2.0),
        Case("gain 304", seen(line, many), "row (one platform)", 1.1, 304),
        Case("stock spread, 50 cars", new(line, spread, level), "row (one platform)", 1.6),
        Case("list page, first", get(listing), "row (one platform)"),
        Case("list page, tenth", get(tenth_page(line, listing)), "list page, first", 1.1),
        Case("post of 4 pulls", post(line, False), "ping (no database)", 8.0, 201, 8),
        Case("post of 4 pulls with a key", post(line, True), "ping (no database)", 8.0, 201, 8),
    ]


def fixed(line: Line) -> Callable[[str], Callable[[], bytes]]:
    """The same GET each time."""

    def get(path: str) -> Callable[[], bytes]:
        request = line.prepare("GET", path)
        return lambda: request

    return get


def levels() -> Iterator[str]:
    """Levels of an interval that were not asked before: each makes another question, which no cache holds."""
    return (f"{0.8 + n * 1e-6:.6f}" for n in count(1))


def new(line: Line, path: str, level: Iterator[str]) -> Callable[[], bytes]:
    """A question never asked before."""
    joint = "&" if "?" in path else "?"
    return lambda: line.prepare("GET", f"{path}{joint}level={next(level)}")


def changed(line: Line, path: str) -> Callable[[], bytes]:
    """A question whose part has just been changed: nothing worked out before holds any more."""
    part, request = f"/v1/parts/{MANY_PART}", line.prepare("GET", path)

    def after_a_change() -> bytes:
        _, head, _ = line.send(line.prepare("GET", part))
        line.json("PATCH", part, {"fitting_notes": str(uuid4())}, If_Match=header_of(head, "ETag"))
        return request

    return after_a_change


def seen(line: Line, path: str) -> Callable[[], bytes]:
    """A question whose answer the client holds."""

    def again() -> bytes:
        _, head, _ = line.send(line.prepare("GET", path))
        return line.prepare("GET", path, If_None_Match=header_of(head, "ETag"))

    return again


def tenth_page(line: Line, path: str) -> str:
    """The address that nine `next` links lead to."""
    for _ in range(9):
        _, head, _ = line.send(line.prepare("GET", path))
        path = header_of(head, "Link").split(">")[0].removeprefix("<")
    return path


def post(line: Line, keyed: bool) -> Callable[[], bytes]:
    """A session never posted before."""
    bodies = posts(FIRST_POST + 50_000 * keyed)

    def fresh() -> bytes:
        key = {"Idempotency_Key": str(uuid4())} if keyed else {}
        return line.prepare("POST", "/v1/sessions", next(bodies), **key)

    return fresh
