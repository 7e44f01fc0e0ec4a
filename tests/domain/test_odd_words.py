"""What lies apart, in words: never a diagnosis, the cheapest causes first."""

import pytest

from service.domain.odd_words import (
    AREA_OF_REASON,
    KINDS,
    LOOKS,
    areas_recorded,
    aside,
    headline,
    looks,
    opening,
)

NONE = dict.fromkeys(KINDS, 0)


def test_the_opening_counts_what_lies_apart_among_what_was_looked_at():
    said = opening({"cars": 12, "setups": 1}, {"cars": 1369, "setups": 715, "bays": 4})
    assert said == "12 of 1,369 cars and 1 of 715 setups lie apart from the rest."


def test_one_alone_lies_apart():
    assert opening({"cars": 1}, {"cars": 14}) == "1 of 14 cars lies apart from the rest."


def test_nothing_odd_is_normal_and_says_among_what():
    said = opening(NONE, {"cars": 8, "gains": 1, "setups": 0, "pulls": 0, "bays": 2})
    assert said == (
        "Nothing lies apart from the rest among 8 cars, 1 car's gain from a part and 2 bays. "
        "That is normal, and nothing needs doing."
    )
    assert aside(NONE, {"cars": 8}, 0.05) is None


def test_nothing_looked_at_is_not_called_normal():
    assert opening(NONE, NONE).startswith("Nothing could be looked at here")


def test_a_day_after_all_that_was_measured_is_said_to_be_one():
    said = opening(NONE, NONE, nothing_since=True)
    assert said == "Nothing was measured since then, so there is nothing to look at; choose an earlier day."


def test_the_rate_of_false_alarms_is_said_beside_what_is_odd():
    said = aside({"cars": 2}, {"cars": 20, "bays": 2}, 0.05)
    assert said is not None
    assert said.startswith("Among 2 bays none does. Of those listed about 1 in 20 is there by chance alone")


def test_the_order_is_typing_bay_weather_tyres_heat_fuel_air_exhaust_engine_drag():
    """The wording rule of the trade brief: the cheapest causes first (common practice, no source)."""
    assert [look.area for look in looks("cars", high=False, everywhere=False)] == [
        "what was typed", "the bay", "the weather", "tyres and straps", "heat", "fuel and spark", "the air path",
        "the exhaust", "the engine itself", "brakes and gearbox",
    ]  # fmt: skip


@pytest.mark.parametrize("kind", ["cars", "setups", "gains"])
@pytest.mark.parametrize("high", [True, False])
def test_the_bay_comes_first_where_power_and_torque_are_off_together(kind, high):
    areas = [look.area for look in looks(kind, high, everywhere=True)]
    assert areas[0] == "the bay"
    assert sorted(areas) == sorted(look.area for look in looks(kind, high, everywhere=None))


def test_a_strong_car_is_asked_for_what_nobody_recorded_before_all_else():
    assert "nobody recorded" in looks("cars", high=True, everywhere=None)[0].ask


def test_every_kind_has_something_to_look_at_on_either_side():
    assert set(LOOKS) == {(kind, high) for kind in KINDS for high in (True, False)}


def test_no_word_is_a_verdict():
    words = " ".join(look.ask.lower() for found in LOOKS.values() for look in found)
    for verdict in ("broken", "faulty", "defect", "is worn", "must be", "guaranteed", "up to", "true power"):
        assert verdict not in words


def test_every_reason_leads_to_a_place_that_some_kind_looks_at():
    assert set(AREA_OF_REASON.values()) <= {look.area for found in LOOKS.values() for look in found}
    assert list(areas_recorded({"mixture": "lambda was 0.72", "unexplained": "not explained"})) == [
        ("fuel and spark", "lambda was 0.72")
    ]


ABOUT = {"vehicle": "stoat-1", "subject": "Halvern Stoat 1.6 T", "setup": "2", "at": "3 May 2026"}


@pytest.mark.parametrize(
    ("kind", "deviation", "said"),
    [
        (
            "cars",
            -9.8,
            "stoat-1 makes 9.8 % less than other Halvern Stoat 1.6 T cars: 93.6 kW where 103.8 kW is to be expected.",
        ),
        (
            "setups",
            3.3,
            "Setup 2 of stoat-1 reads 3.3 % more than is to be expected of this car: 93.6 kW where 103.8 kW is to be "
            "expected (its own level, bay and parts allowed for).",
        ),
        (
            "pulls",
            -2.0,
            "One pull of stoat-1 (setup 2) reads 2.0 % less than the others of its setup: 93.6 kW where 103.8 kW is to be "
            "expected.",
        ),
    ],
)
def test_what_lies_apart_is_one_sentence(kind, deviation, said):
    assert headline(kind, ABOUT, deviation, "93.6 kW", "103.8 kW") == said


def test_a_gain_names_its_part_and_a_bay_its_day():
    gain = headline("gains", {**ABOUT, "subject": "wide pipe"}, -12.0, "−7.0 %", "+5.0 %")
    assert (
        gain == "stoat-1 took the part “wide pipe” unlike other cars: −7.0 % where +5.0 % is to be expected."
    )
    bay = headline("bays", {**ABOUT, "subject": "North"}, -6.0, "", "")
    assert bay == "North seems to read 6.0 % less since 3 May 2026, with nothing recorded about that day."
