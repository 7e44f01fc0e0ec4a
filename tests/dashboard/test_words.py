"""Numbers and trade words as the pages' own script says them, worked out by hand here."""

from typing import Any

import pytest

from tests.dashboard.conftest import Shown

MINUS = "\u2212"


@pytest.fixture
def said(shown: Shown) -> Any:
    """Calls one function of the pages' script: said(module, name, arguments)."""
    page = shown.open("index.html")
    call = "async ([module, name, given]) => (await import(`/${module}`))[name](...given)"
    return lambda module, name, *given: page.evaluate(call, [module, name, list(given)])


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
    ("value", "text"), [(0.04, "0.0"), (-0.04, "0.0"), (0.05, "+0.1"), (-3.16, f"{MINUS}3.2")]
)
def test_a_figure_that_is_rounded_to_nought_has_no_sign(said: Any, value: float, text: str) -> None:
    assert said("say.js", "signed", value, 1) == text


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


def test_many_values_are_counted_in_even_bars_with_round_ends(said: Any) -> None:
    bars = said("chart.js", "binned", [1.2, 1.4, 7.9, 31.0])
    # 29.8 over 16 bars is 1.86: the next of 1, 2, 5 is 2
    assert [(bar["from"], bar["cars"]) for bar in bars if bar["cars"]] == [(0, 2), (6, 1), (30, 1)]
    assert {round(bar["to"] - bar["from"], 9) for bar in bars} == {2}
    assert len(bars) == 16


def test_a_negative_value_falls_in_the_bar_below_nought(said: Any) -> None:
    bars = said("chart.js", "binned", [-0.1, 0.1, 15.9])  # 16.0 over 16 bars
    assert [(bar["from"], bar["cars"]) for bar in bars if bar["cars"]] == [(-1, 1), (0, 1), (15, 1)]


def test_equal_values_are_one_bar(said: Any) -> None:
    (bar,) = said("chart.js", "binned", [5.0] * 9)
    assert bar["cars"] == 9
    assert bar["from"] <= 5.0 < bar["to"]


def test_very_many_values_are_still_a_few_bars_and_none_is_lost(said: Any) -> None:
    bars = said("chart.js", "binned", [100 + (n * 7919 % 10_000) / 250 for n in range(10_000)])
    assert 8 <= len(bars) <= 18
    assert sum(bar["cars"] for bar in bars) == 10_000


def test_a_caution_about_this_answer_comes_before_a_general_one(said: Any) -> None:
    given = [
        "Boosted engine: x.",
        "A car that reads low needs a qualified person's look, not a verdict from a number.",
        "No price.",
    ]
    assert said("show.js", "cautionsHere", given) == ["No price.", "Boosted engine: x."]


def test_what_differs_between_two_states_is_said_with_both_readings(said: Any) -> None:
    oil = {"what": "oil", "before": 190.4, "after": 212.9, "window": 9.0}
    assert said("say.js", "whatDiffers", oil, "us") == "oil 190.4, then 212.9 °F"
    gear = {"what": "gear", "before": 4, "after": 5, "window": None}
    assert said("say.js", "whatDiffers", gear, "si") == "gear 4, then 5"
    unknown = {"what": "inlet", "before": None, "after": 31.0, "window": 3.0}
    assert said("say.js", "whatDiffers", unknown, "si") == "inlet air not recorded, then 31 °C"
    after = {"what": "inlet", "before": 31.0, "after": None, "window": 3.0}
    assert said("say.js", "whatDiffers", after, "si") == "inlet air 31 °C, then not recorded"
    neither = {"what": "coolant", "before": None, "after": None, "window": 3.0}
    assert said("say.js", "allThatDiffers", [neither, {**neither, "what": "inlet"}, gear], "si") == (
        "gear 4, then 5; not recorded on both sides: coolant, inlet air"
    )


def test_a_figure_in_a_sentence_is_tied_to_its_unit(said: Any) -> None:
    # SI Brochure, 9th edition, 5.4.7: a space between the number and the percent sign, as before any unit
    assert said("say.js", "tied", "90% sure: 3.5 kW, 4 %") == "90\u00a0% sure: 3.5\u00a0kW, 4\u00a0%"


def test_a_name_with_a_comma_stands_in_quotes_inside_a_sentence(said: Any) -> None:
    assert (
        said("say.js", "inSentence", "Side-feed plenum, re-machined")
        == "\u201cside-feed plenum, re-machined\u201d"
    )
    assert said("say.js", "inSentence", "Wide pipe") == "wide pipe"


def test_a_measure_is_read_aloud_with_its_speeds(said: Any) -> None:
    band = {"measure": "band_power", "from": "3000", "to": "5500"}
    assert said("say.js", "measureInWords", band) == "average power from 3,000 to 5,500 rpm"
    assert said("say.js", "measureInWords", {"measure": "torque_at", "rpm": "2500"}) == "torque at 2,500 rpm"
    assert said("say.js", "measureInWords", {"measure": "peak_torque"}) == "peak torque"
