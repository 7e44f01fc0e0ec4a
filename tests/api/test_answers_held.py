"""What the answers rest on at their edges: which cars were looked at, which day is whose, in which order to fit."""

from types import SimpleNamespace

import numpy as np
import pytest

from service.answers import fitting
from service.answers.bay_days import Asked, on_day
from service.answers.fitting import Buyable, Fitting
from service.answers.odd_looked import looked_at_gains
from service.stats.history.cells import CarGains, Cell
from service.stats.history.choice import Build
from service.stats.history.outliers import FEWEST_PEERS
from service.store.gain_facts import relatives
from tests.api.mending import posted
from tests.factories import session, setup

# Which setups are of a bay's day


def setups_at(*at):
    ones = np.ones(len(at), dtype=np.int64)
    return SimpleNamespace(at=np.array(at), bay_id=ones, vehicle_id=np.arange(len(at)))


@pytest.mark.parametrize(("day", "found"), [(101, [1, 2]), (100, [0])])
def test_what_was_measured_at_the_very_moment_of_an_event_was_measured_after_it(day, found):
    """Recalibrated at 101.25, which is when the second car was strapped down; days around are taken in, up to that."""
    bay = SimpleNamespace(events=(101.25,))
    catalogue = SimpleNamespace(bays={1: bay})
    system = SimpleNamespace(setups=lambda: setups_at(100.5, 101.25, 101.5), catalogue=catalogue)
    assert on_day(SimpleNamespace(system=system), Asked(1, day, reach=3)).tolist() == found


# What was looked at for odd gains


def test_only_gains_that_can_be_judged_count_as_looked_at():
    """Of the first part enough cars were measured to judge by, of the second one less; one car more never without it."""
    parts = np.array([7] * FEWEST_PEERS + [8] * (FEWEST_PEERS - 1) + [7])
    cars = np.arange(len(parts))
    own = np.where(cars == len(parts) - 1, np.nan, 0.01)
    ones = np.ones(len(parts))
    gains = CarGains(cars, parts, own, ones, ones)
    columns = {
        "setup_id": cars, "vehicle_id": cars, "platform_id": cars * 0 + 3, "bay_id": cars * 0 + 5, "at": cars + 0.5,
        "part_start": np.arange(len(parts) + 1), "part_id": parts,
    }  # fmt: skip
    history = type("History", (SimpleNamespace,), {"__len__": lambda self: len(parts)})(**columns)
    looked = looked_at_gains(gains, history, SimpleNamespace(setup_id=cars))
    assert looked.count(None, None, None) == looked.count(3, 5, None) == FEWEST_PEERS
    assert looked.count(None, None, float(FEWEST_PEERS - 1)) == 1
    assert looked.count(4, None, None) == 0


# The cheapest way to a wished gain


class Solved:
    """Two parts that give -1 and +2 [% in logs], and nothing beyond that beside each other."""

    system = SimpleNamespace(fit=None)

    def gain(self, part_id, platform, against=0, beside=None):
        return cell({1: -0.01, 2: 0.02}[part_id])

    def build_of(self, platform, ids, there=()):
        return cell(sum({1: -0.01, 2: 0.02}[one] for one in ids))

    def beyond_their_sum(self, platform, ids):
        return np.zeros((2, 2))


def cell(mean):
    return Cell(mean, 1e-6, 1e-4, 1e-4, 1e-5, 5, 5, 0, ())


def part(part_id, slot):
    return SimpleNamespace(part_id=part_id, slots=(slot,), slug=f"part-{part_id}")


def test_every_part_of_the_way_to_a_wish_is_a_step_of_it_though_it_adds_nothing_where_it_comes(monkeypatch):
    """Whatever the search found is what is bought: a step that was left out would be missing from the sum."""
    both = Build((0, 1), frozenset({"inlet", "outlet"}), 1000.0, 0.01)
    monkeypatch.setattr(fitting, "cheapest_reaching", lambda *_: both)
    monkeypatch.setattr(fitting, "typical_interval", lambda cell, _: cell.mean)
    monkeypatch.setattr(fitting, "chance_of_at_least", lambda *_, **__: 0.5)
    buyable = [Buyable(part(1, "inlet"), 100.0, "fair"), Buyable(part(2, "outlet"), 900.0, "fair")]
    wish = Fitting(Solved(), 1, buyable, (), 0.9).cheapest(0.01, may_lose=True)
    assert [step.part.part_id for step in wish.steps] == [2, 1]
    assert [step.spent for step in wish.steps] == [900.0, 1000.0]


# What a part may be held against


def test_cars_of_a_rival_are_told_from_those_with_one_in_the_others_place(stoats, connection):
    """Two cars with the mesh pipe and without, one of them measured so twice; three with either pipe."""
    for n, day in ((1, 1), (2, 2), (2, 6)):
        posted(stoats, session(setup(), setup(["mesh-pipe"], 1.03), vehicle=f"stoat-{n}", day=day))
    for n in (3, 4, 5):
        posted(
            stoats,
            session(setup(["mesh-pipe"], 1.03), setup(["wide-pipe"], 1.05), vehicle=f"stoat-{n}", day=n),
        )
    (platform,) = connection.execute("SELECT platform_id FROM platform").fetchone()
    ids = dict(connection.execute("SELECT slug::text, part_id FROM part").fetchall())
    found = {
        one.slug: (one.cars, one.cars_against) for one in relatives(connection, platform, ids["wide-pipe"])
    }
    assert found == {"mesh-pipe": (2, 3), "road-map": (0, 0)}
    found = {
        one.slug: (one.cars, one.cars_against) for one in relatives(connection, platform, ids["mesh-pipe"])
    }
    assert found == {"wide-pipe": (0, 3), "road-map": (0, 0)}
