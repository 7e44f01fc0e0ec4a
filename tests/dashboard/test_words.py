"""Numbers and trade words as the pages' own script says them, worked out by hand here."""

from typing import Any

import pytest

from tests.dashboard.conftest import Watched

MINUS = "\u2212"


@pytest.fixture
def said(watched: Watched) -> Any:
    """Calls one function of the pages' script: said(module, name, arguments)."""
    watched.open("index.html")
    call = "async ([module, name, given]) => (await import(`/${module}`))[name](...given)"
    return lambda module, name, *given: watched.page.evaluate(call, [module, name, list(given)])


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (11.84, 1, "11.8"),
        (-0.04, 1, "0.0"),
        (-3.16, 1, f"{MINUS}3.2"),
        (3900, 0, "3,900"),
        (None, 1, "not known"),
    ],
)
def test_a_number_is_rounded_and_has_no_minus_nought(
    said: Any, value: float | None, decimals: int, text: str
) -> None:
    assert said("say.js", "number", value, decimals) == text


@pytest.mark.parametrize(
    ("interval", "reference", "places"),
    # Half of 1.9 to 231 is 0.8 %: a decimal is known. Half of 5 to 231 is 2.2 %: it is not.
    [([9.9, 13.7], 231.0, 1), ([6.8, 16.8], 231.0, 0), (None, 231.0, 1), ([1.0, 2.0], None, 1)],
)
def test_decimals_end_where_the_interval_is_wider_than_a_percent(
    said: Any, interval: list[float] | None, reference: float | None, places: int
) -> None:
    assert said("say.js", "decimals", interval, reference) == places


@pytest.mark.parametrize(
    ("share", "text"), [(0.995, "more than 99 in 100"), (0.004, "less than 1 in 100"), (0.714, "71 in 100")]
)
def test_a_chance_is_said_as_so_many_in_a_hundred(said: Any, share: float, text: str) -> None:
    assert said("say.js", "inHundred", share) == text


def test_a_loss_is_only_named_where_the_whole_band_lies_below_nought(said: Any) -> None:
    def knot(rpm: int, low: float, high: float) -> dict[str, float]:
        return {"rpm": rpm, "low": low, "typical": (low + high) / 2, "high": high}

    down = [knot(rpm, -4, -1) for rpm in range(2000, 2301, 50)]
    unsure = [knot(rpm, -2, 1) for rpm in range(2350, 2951, 50)]
    short = [knot(3000, 0.5, 1), knot(3050, 0.5, 1)]
    again = [knot(3100, -0.5, 1)]
    up = [knot(rpm, 1, 3 + rpm / 10_000) for rpm in range(3150, 4001, 50)]
    found = said("gain-shows.js", "stretches", [*down, *unsure, *short, *again, *up])
    assert [(part["word"], part["from"], part["to"]) for part in found] == [
        ("loses", 2000, 2300),
        ("gains", 3150, 4000),
    ]
    assert found[1]["most"]["rpm"] == 4000


@pytest.mark.parametrize(
    ("percents", "text"),
    [
        (
            [-2.0, -1.4, 0.3, 1.5, 6.0],
            "1 of the 5 cars read lower with it; 3 cars are within what a test can tell.",
        ),
        ([-1.5, 4.0], "None of the 2 cars read lower with it; 1 car is within what a test can tell."),
        ([2.0, 4.0], "None of the 2 cars read lower with it."),
        ([-0.2], "The one car did not read lower with it; it is within what a test can tell."),
    ],
)
def test_only_a_fall_beyond_the_noise_is_counted_as_lower(
    said: Any, percents: list[float], text: str
) -> None:
    floor = 1.5  # [%], of the readings in `percents`
    assert said("gain-shows.js", "lower", percents, floor, "3.5 kW").startswith(text)


def test_a_caution_about_this_answer_comes_before_a_general_one(said: Any) -> None:
    given = [
        "Boosted engine: x.",
        "A car that reads low needs a qualified person's look, not a verdict from a number.",
        "No price.",
    ]
    assert said("show.js", "cautionsHere", given) == ["No price.", "Boosted engine: x."]


def test_a_short_stretch_is_told_but_not_named_in_the_picture(said: Any) -> None:
    knots = [
        {"rpm": rpm, "low": 1 if rpm < 2300 or rpm > 3000 else -1, "typical": 1, "high": 2}
        for rpm in range(2000, 5001, 50)
    ]
    assert [part["named"] for part in said("gain-shows.js", "stretches", knots)] == [False, True]


def test_what_differs_between_two_states_is_said_with_both_readings(said: Any) -> None:
    oil = {"what": "oil", "before": 190.4, "after": 212.9, "window": 9.0}
    assert said("say.js", "whatDiffers", oil, "us") == "oil 190.4, then 212.9 °F"
    gear = {"what": "gear", "before": 4, "after": 5, "window": None}
    assert said("say.js", "whatDiffers", gear, "si") == "gear 4, then 5"


def test_a_measure_is_read_aloud_with_its_speeds(said: Any) -> None:
    band = {"measure": "band_power", "from": "3000", "to": "5500"}
    assert said("say.js", "measureInWords", band) == "average power from 3,000 to 5,500 rpm"
    assert said("say.js", "measureInWords", {"measure": "torque_at", "rpm": "2500"}) == "torque at 2,500 rpm"
    assert said("say.js", "measureInWords", {"measure": "peak_torque"}) == "peak torque"
