"""A small ledger in which each rule of finding, choosing and levelling pairs decides about some car's gain."""

import itertools
from typing import Any

from tests.conftest import Client
from tests.factories import AIR, WARM, pull, session, setup

PLATFORM, PART, OTHER_PART, CALIBRATION = "stoat", "wide-pipe", "mesh-pipe", "road-map"
PARTS = (PART, OTHER_PART, CALIBRATION)
COLD, HOT_AIR, UNLIKE = (
    {"coolant": 41.0, "inlet": 27.0},
    {**AIR, "temperature": 44.0},
    {"coolant": 97.0, "inlet": 27.0},
)
OLD = {"basis": "observed", "ambient": dict(AIR), "engine": dict(WARM)}
RECORD_PEAKS = {"power": 140.0, "power_rpm": 5600.0, "torque": 260.0, "torque_rpm": 4200.0}
ONE_STANDARD = {"standard": "din-70020", "factor": 1.02}
NO_FACTOR = {"standard": "din-70020"}
READINGS = itertools.count()
DAYS = 28


def fill(admin: Client) -> None:
    """Post every car's story; no two cars gain the same, so that one wrong choice moves the answer."""
    for number, (gain, story) in enumerate(STORIES):
        tag = f"awkward-{number}"
        posted(admin, "/v1/vehicles", {"tag": tag, "platform": PLATFORM, "confirm": True})
        for place, (setups, fields) in enumerate(story):
            day = fields.get("day", 1 + (3 * number + 7 * place) % DAYS)
            hour = fields.get("hour", 8 + number % 10)
            made = session(
                *(at_gain(one, gain) for one in setups),
                vehicle=tag,
                bay=fields.get("bay", "north"),
                started_at=f"2026-03-{day:02d}T{hour:02d}:{number:02d}:00+00:00",
            )
            body = posted(admin, "/v1/sessions", made)
            for n in fields.get("struck", ()):
                marked = admin.post(
                    f"/v1/sessions/{body['id']}/setups/{n}/strike", {"reason": "a strap slipped"}
                )
                assert marked.status_code == 200, marked.text


def posted(admin: Client, path: str, body: dict[str, Any]) -> dict[str, Any]:
    """A body that must be taken."""
    answer = admin.post(path, body)
    assert answer.status_code == 201, answer.text
    return answer.json


State = tuple[tuple[str, ...], float, dict[str, Any]]
"""Parts, level beside the part's own gain, and what is unusual: fields of each pull, `setup` of the setup, `peaks`."""
Session = tuple[tuple[State, ...], dict[str, Any]]


def state(*parts: str, level: float = 1.0, **unusual: Any) -> State:
    """One state of a car."""
    return parts, level, unusual


def strap(*states: State, **fields: Any) -> Session:
    """One session: `bay`, `day`, `hour`, and which setups are struck afterwards."""
    return states, fields


def at_gain(one: State, gain: float) -> dict[str, Any]:
    """A state as it is posted; the part gives the car's own gain."""
    parts, level, unusual = one
    scale = level * (1.0 + gain if PART in parts else 1.0)
    fields = {**unusual}
    around, best_of = fields.pop("setup", {}), fields.pop("best_of", None)
    if best_of is not None:
        peaks = {**RECORD_PEAKS, **{name: RECORD_PEAKS[name] * scale for name in ("power", "torque")}}
        record = {"peaks": peaks, **OLD, "best_of": best_of}
        return {"parts": list(parts), "stock_checked": "verified", "pulls": [record], **around}
    pulls = [
        pull(scale * (1.0 + 0.002 * noise), **{"ambient": air(), **fields}) for noise in (-1.0, 0.4, 0.6)
    ]
    return {**setup(parts, pulls=0, **around), "pulls": pulls}


def air() -> dict[str, float]:
    """The weather of the next pull: a station that never moves is doubted."""
    place = next(READINGS)
    return {**AIR, "temperature": 25.0 + 0.1 * (place % 5), "pressure": 100.0 + 0.02 * (place % 7)}


STORIES: tuple[tuple[float, tuple[Session, ...]], ...] = (
    # plain, and removed again: the part's state measured first
    (0.040, (strap(state(), state(PART)),)),
    (0.046, (strap(state(PART), state()),)),
    # A-B-A and B-A-B under a drift, A-B-A-B, and the same state thrice
    (0.052, (strap(state(), state(PART, level=0.996), state(level=0.991)),)),
    (0.055, (strap(state(PART), state(level=0.997), state(PART, level=0.992)),)),
    (0.058, (strap(state(), state(PART, level=0.997), state(level=0.993), state(PART, level=0.99)),)),
    (0.061, (strap(state(), state(level=1.003), state(PART, level=0.998), state(CALIBRATION, level=1.2), state(level=0.993)),)),
    # a drift that is doubted itself
    (0.063, (strap(state(), state(PART, level=0.97), state(level=0.94)),)),
    # several candidates: another day nearer in time, the same day, another bay; the same session has it
    (0.064, (strap(state(), state(PART, level=1.01)), strap(state(PART, level=1.04)), strap(state(level=0.98), bay="hub"))),
    (0.067, (strap(state(), day=3, hour=8), strap(state(PART, level=1.03), day=3, hour=18), strap(state(PART, level=1.02), day=4))),
    (0.070, (strap(state(), day=3), strap(state(PART, level=1.02), day=9), strap(state(PART, level=1.06), day=23))),
    (0.071, (strap(state(), day=3), strap(state(PART, level=1.02), day=5, bay="hub"), strap(state(PART, level=1.01), day=11))),
    # two bays, one car each way, and a third between them
    (0.073, (strap(state(), bay="north"), strap(state(PART, level=1.03), bay="hub"))),
    (0.076, (strap(state(), bay="hub"), strap(state(PART, level=0.98), bay="north"))),
    (0.079, (strap(state(), bay="north"), strap(state(PART, level=1.02), bay="hub"))),
    # replaced, not added; and both beside the bare car
    (0.082, (strap(state(OTHER_PART), state(PART)),)),
    (0.085, (strap(state(), state(OTHER_PART, level=1.02), state(PART)),)),
    # beside another part; and two parts fitted at once, which is no pair
    (0.088, (strap(state(CALIBRATION, level=1.2), state(CALIBRATION, PART, level=1.2)),)),
    (0.091, (strap(state(), state(CALIBRATION, PART, level=1.2)),)),
    # a condition that moved: alone, and where another pair was held; one that the part changes itself; one not recorded
    (0.094, (strap(state(), state(PART, engine=UNLIKE)),)),
    (0.097, (strap(state(), state(PART, level=1.02, engine=UNLIKE), state(PART, level=1.005)),)),
    (0.100, (strap(state(engine={}), state(PART, engine={}), state(PART, level=1.02)),)),
    # doubts: against the pulls, and against the level of a whole session only
    (0.103, (strap(state(), state(PART, level=1.05, engine=COLD)), strap(state(PART, level=1.01)))),
    (0.106, (strap(state(ambient=HOT_AIR), state(PART, ambient=HOT_AIR)),)),
    (0.109, (strap(state(ambient=HOT_AIR), day=2), strap(state(PART, ambient=HOT_AIR), day=8))),
    # part lists that may not be whole count inside a session only
    (0.112, (strap(state(setup={"parts_known": "partial"}), state(PART, setup={"parts_known": "partial"})),)),
    (0.115, (strap(state(setup={"parts_known": "partial"}), day=2), strap(state(PART), day=8))),
    # best-of records, alone and where curves say the same of another day
    (0.118, (strap(state(best_of=3), day=2), strap(state(PART, best_of=5), day=8))),
    (0.121, (strap(state(best_of=3), state(PART, level=1.02)), strap(state(level=0.99)))),
    # observed figures without air; one standard only; a mixed footing
    (0.124, (strap(state(ambient={}), state(PART, ambient={})),)),
    (0.127, (strap(state(ambient={}), day=2), strap(state(PART, ambient={}), day=8))),
    (0.130, (strap(state(ambient={}, basis=ONE_STANDARD), state(PART, ambient={}, basis=ONE_STANDARD)),)),
    (0.133, (strap(state(), state(PART, ambient={}, basis=ONE_STANDARD)),)),
    (0.136, (strap(state(), state(level=1.02, ambient={}), state(PART, ambient={})),)),
    (0.137, (strap(state(ambient={}), state(PART, ambient={}, basis=NO_FACTOR)),)),
    (0.138, (strap(state(ambient={}), state(PART, ambient={}), state(ambient={}, basis=NO_FACTOR, level=0.98)),)),
    # more pairs than are read of a car
    (0.139, (strap(state(), state(PART)), *(strap(state(PART, level=1 + 0.01 * n), day=10 + n) for n in range(7)))),
    # struck afterwards: the first reading, so that a later one is left
    (0.142, (strap(state(level=0.9), state(level=1.0), state(PART), struck=[1]),)),
    # one of many: it shall not decide
    (0.145, (strap(state(engine=dict(WARM)), state(PART, engine={**WARM, "oil": 101.0})),)),
)  # fmt: skip
