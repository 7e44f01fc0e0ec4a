"""Where an answer's rule has its edge or its side, by hand, from as little as each needs: no ledger, no model."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from service.answers.carried import Carried
from service.answers.cautions import where_measured
from service.answers.own_readings import first_against
from service.answers.pairs_gain import Asked, grade_of, moves_of_peak
from service.answers.part_choice import TWO_FOR_ONE, why_not
from service.answers.review import Company, is_open, place_of, returned_to
from service.answers.sheet_gain import bands_of, made_row
from service.domain.curve import GRID_RPM
from service.domain.engine import Engine
from service.domain.measures import Measure
from service.domain.pairing import MATCHES, CarSetup
from service.ledger import marking
from service.ledger.post import invoice_findings
from service.stats.own_readings import Reading
from service.stats.pairs import Spreads

NEAR, FAR = MATCHES.index("same-session"), MATCHES.index("other-day")
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def used(near: int, of: int) -> list[SimpleNamespace]:
    """Cars with a comparison each, so many of them like for like."""
    return [
        SimpleNamespace(row=SimpleNamespace(held=True, match=NEAR if n < near else FAR)) for n in range(of)
    ]


@pytest.mark.parametrize(("near", "grade"), [(1, "thin"), (2, "fair"), (4, "fair")])
def test_evidence_is_one_grade_lower_only_where_most_comparisons_are_not_like_for_like(near, grade):
    """Four cars are fair. Two of four are half, not most."""
    assert grade_of(used(near, 4)) == grade


def test_a_peak_that_comes_later_with_the_part_has_moved_up():
    """5,200 to 5,400 rpm, and 5,300 to 5,250 rpm; of the third one speed is not known."""
    speeds = [(5400.0, 5200.0), (5250.0, 5300.0), (None, 5200.0)]
    pairs = [
        SimpleNamespace(
            row=SimpleNamespace(
                with_=SimpleNamespace(power_rpm=after), without=SimpleNamespace(power_rpm=before)
            )
        )
        for after, before in speeds
    ]
    asked = Asked(Measure("peak_power"), "sae-j1349", 0.9, None, None, curve=False, pairs=False)
    assert moves_of_peak(pairs, asked) == (200.0, -50.0)


@pytest.mark.parametrize(("fitted", "why"), [(0, None), (1, None), (2, TWO_FOR_ONE), (3, TWO_FOR_ONE)])
def test_a_part_in_the_place_of_two_is_no_choice(fitted, why):
    solved = SimpleNamespace(system=SimpleNamespace(has=lambda _: True))
    replaced = [SimpleNamespace(slug=f"part-{n}") for n in range(fitted)]
    assert why_not(SimpleNamespace(part_id=1), replaced, solved) == why


# Reviews


def finding(**fields: object) -> SimpleNamespace:
    known = {"setup_n": 1, "pull_n": None, "cleared_at": None, "level": "note", "code": "smoothed-strongly"}
    return SimpleNamespace(**{**known, **fields})


@pytest.mark.parametrize(
    ("session_struck", "setup_struck", "said_of", "is_said"),
    [
        (None, None, 1, True),
        (None, "twice", 1, False),
        (None, "twice", None, False),
        ("twice", None, 1, False),
    ],
)
def test_what_was_said_of_a_struck_setup_is_open_no_more(session_struck, setup_struck, said_of, is_said):
    setup = SimpleNamespace(n=1, setup_id=7, struck=setup_struck, doubts=[])
    record = SimpleNamespace(session=SimpleNamespace(struck=session_struck), setups=[setup], pulls=[])
    assert is_open(finding(setup_n=said_of), record) is is_said


def test_a_place_among_other_cars_counts_that_the_car_was_strapped_down_once():
    """3 and 4 thousandths, both by themselves: 5 together."""
    company = Company("sae-j1349", Engine(), Spreads(0.0, 0.0, 0.004, 0.022), None, [150.0] * 3)
    setup = SimpleNamespace(parts=[], parts_known="complete", stock_checked="verified")
    assert place_of(setup, 150.0, 0.003**2, company).noise == pytest.approx(0.005)


@pytest.mark.parametrize(
    ("again_is_with", "returned"), [(False, 99.0 / 102.0 - 1.0), (True, 99.0 / 105.6 - 1.0)]
)
def test_both_readings_of_a_repeated_state_are_brought_to_the_standard_before_they_are_held_against_each_other(
    again_is_with, returned
):
    """Without 100 kW at a ratio of 1.02, with 110 at 0.96, and again 90 at 1.1: 102, 105.6 and 99 kW."""
    row = SimpleNamespace(
        with_=SimpleNamespace(power_kw=110.0), without=SimpleNamespace(power_kw=100.0),
        again=SimpleNamespace(power_kw=90.0), again_is_with=again_is_with,
    )  # fmt: skip
    assert returned_to(row, (0.96, 1.02, 1.1)) == pytest.approx(returned)


# Sheets


def drawn(low: float, high: float, peak_rpm: float) -> SimpleNamespace:
    """A state whose mean curve reaches from one speed to another."""
    grid = np.where((low <= GRID_RPM) & (high >= GRID_RPM), 200.0, np.nan)
    return SimpleNamespace(torque_nm=grid, setup=SimpleNamespace(power_rpm=peak_rpm))


def test_bands_lie_where_both_curves_reach():
    """From 2,000 to 6,000 rpm and from 3,000 to 5,400: both from 3,000 to 5,400, of which the lowest third ends at 3,800.
    Half of the peak's 5,600 rpm is 2,800, where one does not reach yet; and the other ends before the peak."""
    for bands in (
        bands_of(drawn(2000.0, 6000.0, 5600.0), drawn(3000.0, 5400.0, 5000.0)),
        bands_of(drawn(3000.0, 5400.0, 5600.0), drawn(2000.0, 6000.0, 5000.0)),
    ):
        ends = {name: (band.from_rpm, band.to_rpm) for name, band in bands.items()}
        assert ends == {"band": (3000.0, 5400.0), "low_third": (3000.0, 3800.0)}


def car_setup(setup_id: int, at: datetime) -> CarSetup:
    nothing = dict.fromkeys(CarSetup.__dataclass_fields__)
    known = {"setup_id": setup_id, "session_id": setup_id, "n": 1, "bay_id": 1, "started_at": at, "part_ids": frozenset(),
             "parts_known": "complete", "counts": True, "peaks_only": False, "doubts": ()}  # fmt: skip
    return CarSetup(**{**nothing, **known})


def test_states_that_make_no_pair_lie_as_many_days_apart_as_their_tests():
    """Two and a half."""
    blank = dict.fromkeys(
        ("pulls", "best_of", "level_standard", "factor", "temperature_c", "pressure_kpa", "vapour_kpa", "power_kw",
         "power_rpm", "torque_nm", "torque_rpm")
    )  # fmt: skip
    states = [
        SimpleNamespace(setup=SimpleNamespace(setup_id=n, parts=[], parts_known="complete", **blank))
        for n in (1, 2)
    ]
    held = SimpleNamespace(before=car_setup(1, NOON), after=car_setup(2, NOON + timedelta(hours=60)))
    assert made_row(*states, held, (), (), {}).gap_days == 2.5


# What is written


@pytest.mark.parametrize(
    ("parts_known", "listed", "said"),
    [
        ("complete", ("pipe",), ["cooler"]),
        ("complete", ("pipe", "cooler"), []),
        ("partly", ("pipe",), []),
        ("unknown", (), []),
    ],
)
def test_an_invoice_speaks_against_a_list_of_parts_only_where_that_says_to_be_complete(
    parts_known, listed, said
):
    setup = SimpleNamespace(parts_known=parts_known, parts=[SimpleNamespace(slug=slug) for slug in listed])
    found = invoice_findings([setup], {"pipe", "cooler"})
    assert [one.message.split(" was fitted")[0].rpartition(" ")[2] for one in found] == said


def test_cars_are_held_in_the_order_of_their_tags_however_they_are_named(monkeypatch):
    """Ten tags: an order left to chance is the right one once in 3,628,800 times."""
    held: list[str] = []
    monkeypatch.setattr(marking.sessions, "lock_car", lambda _, tag: held.append(tag))
    tags = [f"stoat-{n}" for n in range(10)]
    marking.lock_in_order(None, *reversed(tags), tags[3])
    assert held == tags


# Readings of one car


def reading(key: int, value: float, parts: tuple[str, ...] = (), complete: bool = True) -> Reading:
    return Reading(key, key, 1, value, 3, frozenset(parts), complete)


def test_a_car_begins_with_its_first_reading_that_is_known_to_be_stock():
    """100 kW of which nobody knows what was fitted, 102 kW stock, 110 kW with a pipe; without the second, the first."""
    unknown, stock, now = reading(1, 100.0, complete=False), reading(2, 102.0), reading(3, 110.0, ("pipe",))
    noise = Spreads(0.005, 0.0045, 0.007, 0.022)
    for readings, begin, is_stock in (([unknown, stock, now], stock, True), ([unknown, now], unknown, False)):
        found, said_to_be = first_against(readings, noise, 0.9)
        assert found is not None
        assert (found.earlier, found.later, said_to_be) == (begin, now, is_stock)


# Where else, and what is read anew


def test_three_other_kinds_of_car_are_named_and_the_own_one_is_none():
    question = SimpleNamespace(platform_name="Stoat")
    places = [("Heron", 9), ("Stoat", 8), ("Marten", 4), ("Kestrel", 2), ("Wren", 1)]
    assert list(where_measured(question, places)) == [
        "Against the same car without it, it was measured on Heron (9 cars), Marten (4 cars), Kestrel (2 cars)."
    ]
    assert list(where_measured(question, places[1:2])) == []


def test_cars_that_changed_twice_before_they_were_read_are_all_read_anew():
    ids, cars, values = np.array([1, 2, 3]), np.array([7, 8, 9]), np.ones((3, 1))
    left = Carried(ids, cars, values).without([7]).without([8])
    assert (left.unread, left.vehicle_ids.tolist()) == ({7, 8}, [9])
    assert left.with_rows(ids[:2], cars[:2], values[:2]).unread == frozenset()
