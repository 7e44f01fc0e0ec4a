"""Documents that the ledger takes, spoilt in one to three places: closer to what people send than anything made up."""

import copy
from collections.abc import Iterator
from typing import Any

from hypothesis import strategies as st
from schemathesis import Case

from tests.api.bodies import CORRECTION, EVENT, MODIFICATION, NEW
from tests.factories import pull, session, setup
from tests.fuzz.filled import Filled

NUMBERS = (
    0, -1, 1, 2**31, 2**53, 2**63, 2**64, -(2**63), 10**40, 0.0, -0.0, 5e-324, 1e-9, 1e30, 1e39, 1e300, -1e300, 1.7976931348623157e308,
)  # fmt: skip
TIMES = (
    "2026-03-18", "0001-01-01", "9999-12-31", "0001-01-01T00:00:00Z", "0001-01-01T00:00:00+14:00", "0002-01-01T00:00:00Z",
    "1900-01-01T00:00:00Z", "9998-12-31T23:59:59Z", "9999-12-31T23:59:59-14:00", "1969-12-31T23:59:60Z", "2026-02-30T00:00:00Z",
)  # fmt: skip
TEXTS = (
    "", " ", "\x00", "\u202e", "ￆ", "x" * 39, "x" * 300, "x" * 70_000, "0", "1e3", "NaN", "none", "null", "stoat-1", "wide-pipe", "north",
    "00000000-0000-0000-0000-000000000000", "{}",
)  # fmt: skip
OTHERS = (
    None, True, False, [], {}, [None], [[]], [0], [1, 1, 1], [1e308, -1e308], {"": ""}, {"part": "wide-pipe"}, {"standard": "unknown"},
)  # fmt: skip
EDGES = (*NUMBERS, *TIMES, *TEXTS, *OTHERS)
"""Values at the ends of what a column, a calendar or a format can hold (our choice)."""
ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
REASON = {"reason": "a slip of the pen"}


@st.composite
def spoilt(draw: st.DrawFn, document: Any) -> Any:
    """The document with some of its values changed, left out or put in a list of many."""
    made = copy.deepcopy(draw(document) if isinstance(document, st.SearchStrategy) else document)
    for _ in range(draw(st.sampled_from((1, 1, 1, 2, 3)))):
        spoil_one(draw, made)
    return made


def spoil_one(draw: st.DrawFn, document: Any) -> None:
    """Change one value, however deep; every level is as likely as any other, so that curves do not draw all."""
    while True:
        keys = list(document) if isinstance(document, dict) else list(range(len(document)))
        if not keys:
            return
        key = draw(st.sampled_from(keys))
        below = document[key]
        if isinstance(below, dict | list) and below and draw(st.integers(0, 3)):
            document = below
            continue
        how = draw(st.sampled_from(("near", "near", "like", "like", "edge", "anything", "gone", "many")))
        if how == "gone":
            del document[key]
        elif how == "many":
            document[key] = [copy.deepcopy(below)] * draw(st.sampled_from((2, 61)))
        else:
            document[key] = copy.deepcopy(draw(instead_of(below, how)))  # what is spoilt next may be in it
        return


def instead_of(value: Any, how: str) -> st.SearchStrategy[Any]:
    """What may stand there instead: nearly the same figure, an end of the same kind, any end, or anything at all."""
    figure = isinstance(value, int | float) and not isinstance(value, bool)
    if how == "near" and figure:
        return st.sampled_from((0.0, 0.5, 0.97, 1.03, 2.0, 1000.0, -1.0)).map(lambda times: value * times)
    if how in ("near", "like"):
        words = TIMES if str(value)[:2] == "20" else TEXTS
        return st.sampled_from(NUMBERS if figure else words if isinstance(value, str) else OTHERS)
    return st.sampled_from(EDGES) if how == "edge" else ANYTHING


def good_session(n: int = 0) -> dict[str, Any]:
    """A session with every member that a post can have, in the two ways to record a pull; another car's on another day for
    each number, for the same curve twice is refused."""
    whole = pull(
        started_at=f"2026-03-{1 + n % 27:02d}T10:01:00+00:00", test="sweep", ramp=300.0, source="live", status="accepted", best_of=1
    )  # fmt: skip
    rpm = whole["curve"]["rpm"] = [float(speed) for speed in range(2000, 6500, 150)]
    whole["curve"] |= {
        "torque": [(1.0 + n / 1000) * (240.0 - (speed / 1000 - 4) ** 2) for speed in rpm],
        "time": [n * 0.25 for n in range(len(rpm))],
        "throttle": [1.0] * len(rpm),
        "map": [180.0] * len(rpm),
        "inlet": [30.0] * len(rpm),
        "lambda": [0.86] * len(rpm),
        "roller_speed": [speed / 6 for speed in rpm],
        "spark": [12.0] * len(rpm),
        "resolution": {"torque": 0.1, "inlet": 0.5},
    }
    whole["ambient"] |= {"humidity": 0.3}
    whole["engine"] |= {"oil": 90.0, "inlet_end": 29.0}
    peaks = pull(peaks={"power": 130.0, "power_rpm": 5600, "torque": 260.0, "torque_rpm": 3500}, best_of=3)
    del peaks["curve"], peaks["smoothing"]
    told = {"label": "as it came", "spark_advance": 12.0, "lambda_probe": "before-catalyst"}
    fuel = {"ethanol": 0.1, "octane": 98.0, "octane_method": "ron"}
    return {
        **session(
            {**setup(pulls=1), "pulls": [whole], "fuel": fuel, **told},
            {**setup(["wide-pipe"], pulls=1), "pulls": [peaks], "parts_known": "partial"},
            vehicle=f"stoat-{1 + n % 12}",
            day=1 + n % 27,
        ),
        "operator": "AB", "gear": 4, "ratio": 4.1, "tyre_size": "225/45 R17", "tyre_pressure": 230.0, "sequence": 7,
        "clock": f"2026-03-{1 + n % 27:02d}T11:00:00+00:00",
    }  # fmt: skip


def good_bodies(shop: Filled) -> Iterator[tuple[str, str, Any]]:
    """(method, address as the document writes it, a body that is taken there), once for each that takes one."""
    yield "POST", "/v1/sessions", st.integers(0, 300).map(good_session)
    for path, body in NEW.items():
        yield "POST", path.replace("/north/", "/{slug}/").replace("/car-a/", "/{tag}/"), body
    yield "PATCH", "/v1/platforms/{slug}", {"name": "Stoat", "rpm_limit": 6500, "displacement_l": 1.6}
    yield "PATCH", "/v1/vehicles/{tag}", {"vin": "1M8GDM9AXKP042788", "confirm": True, "units": "si"}
    yield "PATCH", "/v1/parts/{slug}", {"price": 480, "currency": "GBP", "labour_hours": 2.5}
    yield "PATCH", "/v1/bays/{slug}", {"name": "North", "altitude_m": 120.0}
    yield "PATCH", "/v1/bays/{slug}/events/{event_id}", EVENT
    yield (
        "PATCH",
        "/v1/vehicles/{tag}/modifications/{modification_id}",
        {**MODIFICATION, "removed_on": "2026-04-01"},
    )
    yield "PATCH", "/v1/settings", {"labour_rate": 72.0, "currency": "GBP", "open_reading": True}
    yield "PATCH", "/v1/bays/{slug}/settings", {"standard": "sae-j1349"}
    yield "PATCH", "/v1/sessions/{id}", {**REASON, "gear": 4, "started_at": "2026-03-02T10:00:00+00:00"}
    yield "PATCH", "/v1/sessions/{id}/setups/{n}", {**REASON, "label": "b", "fuel": {"octane": 98.0}}
    yield "PATCH", "/v1/pulls/{pull_id}", {**REASON, "status": "settling"}
    yield "POST", "/v1/sessions/{id}/strike", REASON
    yield "POST", "/v1/pulls/{pull_id}/confirm", REASON
    yield "POST", "/v1/bays/{slug}/corrections", {**CORRECTION, "temperature_offset": 1.0}


def spoilt_requests(
    document: Any, shop: Filled, method: str, path: str, body: Any
) -> st.SearchStrategy[Case]:
    """Requests that send this body spoilt, about something that is there."""
    operation = document[path][method]
    steps = [one.name for one in operation.path_parameters]
    places = {name: st.sampled_from(shop.known(path, "path_parameters", name)) for name in steps}
    return st.builds(
        lambda where, sent: operation.Case(
            path_parameters=where, headers={"If-Match": "*"}, body=sent, media_type="application/json"
        ),
        st.fixed_dictionaries(places),
        spoilt(body),
    )
