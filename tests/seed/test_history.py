"""Five years of plans: what the demo must contain so that every question has something to show."""

from collections import Counter, defaultdict
from datetime import timedelta
from itertools import pairwise

import pytest

from seed.history import DEFAULT_SEED, FUTURE_CLOCK, History, make_history, working_minutes
from seed.oddities import CHECK_OF
from seed.parts import PART, PARTS
from seed.shop import BAYS, CHECK_CAR, FIRST_DAY, LAST_DAY, PLATFORMS
from seed.wire import keyed_parts


def test_the_same_seed_makes_the_same_shop(shop: History) -> None:
    assert make_history(400, DEFAULT_SEED) == shop


def test_another_seed_makes_another_shop(shop: History) -> None:
    other = make_history(400, DEFAULT_SEED + 1)
    assert other.effects.gains != shop.effects.gains
    assert [plan.started_at for plan in other.sessions] != [plan.started_at for plan in shop.sessions]


def test_the_shop_has_its_size(shop: History) -> None:
    pulls = sum(state.pulls + state.settling for plan in shop.sessions for state in plan.states)
    assert 390 <= len(shop.cars) <= 410
    assert 2700 <= pulls <= 3300
    assert 24 <= len(PARTS) <= 30
    assert {plan.bay for plan in shop.sessions} == {bay.slug for bay in BAYS}


@pytest.mark.parametrize("cars", [6, 40, 1000])
def test_a_smaller_or_larger_shop_can_be_made(cars: int) -> None:
    history = make_history(cars, 5)
    assert abs(len(history.cars) - cars) <= len(PLATFORMS) + 1
    assert {car.platform for car in history.cars} == {platform.slug for platform in PLATFORMS}


def test_tags_and_session_ids_are_given_once(shop: History) -> None:
    tags = [car.tag for car in shop.cars]
    ids = [plan.session_id(DEFAULT_SEED) for plan in shop.sessions]
    assert len(set(tags)) == len(tags)
    assert len(set(ids)) == len(ids)


def test_sessions_lie_in_the_five_years_but_for_the_clock_that_died(shop: History) -> None:
    outside = [plan for plan in shop.sessions if not FIRST_DAY <= plan.started_at.date() <= LAST_DAY]
    assert [plan.started_at for plan in outside] == [FUTURE_CLOCK]
    assert (LAST_DAY - FIRST_DAY).days == pytest.approx(5 * 365.25, abs=3)


def test_no_bay_holds_two_cars_at_once_and_no_car_stands_in_two_bays(shop: History) -> None:
    spans = [
        (plan.started_at, plan.started_at + timedelta(minutes=1.15 * working_minutes(plan.states)), plan)
        for plan in shop.sessions
    ]
    for key in ("bay", "car"):
        by = defaultdict(list)
        for start, end, plan in spans:
            by[getattr(plan, key)].append((start, end))
        for stays in by.values():
            stays.sort()
            assert all(end + timedelta(minutes=15) < later for (_, end), (later, _) in pairwise(stays))


def test_a_bays_numbers_rise_with_its_sessions(shop: History) -> None:
    for bay in BAYS:
        numbers = [
            plan.sequence
            for plan in shop.sessions
            if plan.bay == bay.slug and plan.started_at != FUTURE_CLOCK
        ]
        assert numbers == list(range(1, len(numbers) + 1))


def test_no_state_fills_a_slot_twice_or_holds_a_part_that_does_not_fit(shop: History) -> None:
    for plan in shop.sessions:
        for state in plan.states:
            for parts in (state.parts, keyed_parts(plan, shop, state)):
                slots = Counter(slot for part in parts for slot in PART[part].slots)
                assert all(count == 1 for count in slots.values()), (plan.car.tag, parts)
                assert all(shop.effects.fits(plan.car.platform, part) for part in parts)


def test_every_kind_of_comparison_is_there(shop: History) -> None:
    states = [tuple(state.parts for state in plan.states) for plan in shop.sessions]
    assert any(len(parts) == 3 and parts[0] == parts[2] for parts in states)  # A-B-A
    assert any(len(parts) == 2 and parts[0] == () and len(parts[1]) == 1 for parts in states)  # A-B
    assert any(
        len(parts[-1]) > 1 and len(parts) == 2 and parts[0] == () for parts in states
    )  # several at once
    assert any(parts[0] and parts[-1] == () for parts in states)  # taken off again
    assert any(
        len(one) == len(other) == 1 and set(PART[one[0]].slots) & set(PART[other[0]].slots) and one != other
        for parts in states
        for one, other in pairwise(parts)
    )  # one part against another of its slot
    assert sum(len(parts) == 1 and len(parts[0]) > 0 for parts in states) > 10  # seen only with parts on


def test_bays_share_cars_so_that_their_offsets_can_be_learned(shop: History) -> None:
    bays = defaultdict(set)
    for plan in shop.sessions:
        bays[plan.car.tag].add(plan.bay)
    assert bays[CHECK_CAR] == {bay.slug for bay in BAYS}
    assert sum(len(seen) > 1 for seen in bays.values()) >= 15


def test_old_records_come_from_the_first_year_only(shop: History) -> None:
    old = [plan for plan in shop.sessions if plan.form == "peaks"]
    assert len(old) >= 20
    assert max(plan.started_at.date() for plan in old) < FIRST_DAY + timedelta(days=366)


def test_odd_records_are_few_and_touch_no_car_that_came_twice(shop: History) -> None:
    odd = [plan for plan in shop.sessions if set(plan.faults) & set(CHECK_OF)]
    visits = Counter(plan.car.tag for plan in shop.sessions)
    assert 25 <= len(odd) <= 40
    assert all(visits[plan.car.tag] == 1 for plan in odd)
    assert not any(plan.car.tag == CHECK_CAR for plan in odd)


def test_a_job_book_line_on_the_wrong_page_stands_before_the_session_that_lists_no_part(
    shop: History,
) -> None:
    wrong = {plan.car.tag: plan for plan in shop.sessions if "job-book-differs" in plan.faults}
    lines = [line for line in shop.fittings if line.vehicle in wrong]
    assert len(lines) == len(wrong) >= 3
    for line in lines:
        plan = wrong[line.vehicle]
        assert FIRST_DAY <= line.fitted_on < plan.started_at.date()
        assert line.fitted_on.weekday() < 5
        assert [state.parts for state in plan.states] == [()]
        assert shop.effects.fits(plan.car.platform, line.part)


def test_parts_taken_off_later_are_written_into_the_job_book(shop: History) -> None:
    removed = [line for line in shop.fittings if line.removed_on is not None]
    assert removed
    assert all(line.removed_on is not None and line.removed_on > line.fitted_on for line in removed)
    assert len(shop.fittings) > 100
