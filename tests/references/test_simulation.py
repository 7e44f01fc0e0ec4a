"""The simulated shops are what they claim to be, and a handful of checks tells their good posts from bad ones."""

import numpy as np
import pytest

from seed.shop import PLATFORM
from tests.references.good import history
from tests.references.planting import FAULTS
from tests.references.report import WIDTH, check_line, factor_lines, moist_air_lines
from tests.references.shops import EASY, HARD, Shop, Spreads
from tests.references.trials import RULES, Alarms, Judged, try_fault, try_good

SHOP = Shop(EASY, 0)
DRAWS = 50


@pytest.fixture(scope="module")
def good() -> list[Judged]:
    judged, _ = try_good((SHOP,), DRAWS)
    return judged


@pytest.mark.parametrize("spreads", [EASY, HARD], ids=lambda spreads: spreads.name)
def test_pulls_spread_as_the_shop_claims_with_a_little_noise_and_heat_beside(spreads: Spreads) -> None:
    shop = Shop(spreads, 0)
    ss, df = history(shop, shop.bays[0], DRAWS, np.random.default_rng(3))
    # About 110 degrees of freedom: the spread is known to 7 %; noise and heat may add 0.25 %.
    assert 0.85 * spreads.pull < (ss / df) ** 0.5 < 1.15 * float(np.hypot(spreads.pull, 0.0025))


@pytest.mark.parametrize("spreads", [EASY, HARD], ids=lambda spreads: spreads.name)
def test_stock_cars_spread_as_cars_bays_days_and_straps_together(spreads: Spreads) -> None:
    shop = Shop(spreads, 0)
    bays = float(np.std([bay.level for bay in shop.bays]))
    own = (spreads.stock, bays, spreads.day, spreads.strap, spreads.setup, spreads.pull / 3**0.5)
    expected = float(np.linalg.norm(own))
    found = np.mean([one.power_sd for one in shop.stock_references(PLATFORM["merrow-heron-35"])])
    assert 0.7 * expected < found < 1.4 * expected


def test_no_good_post_is_refused(good: list[Judged]) -> None:
    refusing = {code for code, rule in RULES.items() if rule.level == "refused"}
    assert [one.codes & refusing for one in good if one.codes & refusing] == []


@pytest.mark.parametrize(
    "code", ["power-torque-disagree", "heat-soak", "trace-thin", "throttle-not-full", "lambda-dead"]
)
def test_a_check_is_silent_on_good_posts_and_sees_most_of_its_faults(code: str, good: list[Judged]) -> None:
    assert [one for one in good if code in one.codes] == []
    caught = try_fault(FAULTS[code], good, DRAWS)
    assert caught.tried == DRAWS
    assert caught.own >= 0.6 * DRAWS


def test_a_doubt_about_more_than_one_good_setup_in_a_hundred_is_named_loudly() -> None:
    rule, quiet = RULES["pulls-disagree"], Alarms(setups=1000, sessions=700)
    loud = Alarms(setups=1000, sessions=700)
    quiet.by_check[rule.code], loud.by_check[rule.code] = 10, 11
    assert "TOO MANY" not in check_line(rule, {"easy": quiet, "hard": quiet}, {})
    assert "TOO MANY" in check_line(rule, {"easy": quiet, "hard": loud}, {})


def test_the_short_tables_fit_the_page() -> None:
    assert [line for line in (*factor_lines(), *moist_air_lines()) if len(line) > WIDTH] == []
