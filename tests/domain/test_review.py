"""What a bay is told right after a post: which pull to repeat, what moved, and the sentences that say so."""

import inspect
import math
from dataclasses import replace
from datetime import UTC, datetime
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.checks import RULES
from service.domain.checks.rules import AREAS
from service.domain.pairing import WINDOWS
from service.domain.review import (
    CONDITIONS,
    DISAGREE,
    SLIPS,
    STOP,
    WARMING,
    Comparison,
    CountedPull,
    Place,
    Remarked,
    Repeat,
    Review,
    SetupReview,
    drifts_of,
    explained_range,
    in_order,
    range_of,
    repeats_of,
)
from service.domain.review_words import COMPARED, MOST, NOT_A_VERDICT, SAFETY, place_sentence, sentences

EASY_BAY, HARD_BAY = 0.0045, 0.008  # pull spreads of an easy and a hard shop; common practice, no source


def pulls(*powers: float | None, **conditions: list[float]) -> list[CountedPull]:
    """Pulls of these peak powers, numbered from 1; conditions by field, one value a pull."""
    return [
        CountedPull(
            i + 1,
            None if power is None else math.log(power),
            {name: values[i] for name, values in conditions.items()},
        )
        for i, power in enumerate(powers)
    ]


def doubt(code: str = "heat-soak", **fields: object) -> Remarked:
    """An open doubt of a known check about setup 1."""
    rule = RULES.get(code)
    given = {
        "message": "inlet air starts at 47 °C",
        "level": "doubtful",
        "setup_n": 1,
        "pull_n": None,
    } | fields
    return Remarked(
        area=given.pop("area", rule.area if rule else "typing"),
        code=code,
        consistent_with=rule.means if rule else None,
        pointer="/setups/0",
        open=given.pop("open", True),
        **given,
    )


def repeats(
    taken: list[CountedPull], findings: tuple[Remarked, ...] = (), spread: float = 0.005
) -> tuple[Repeat, ...]:
    return repeats_of(taken, findings, explained_range(len(taken), spread))


def only(found: tuple[Repeat, ...]) -> Repeat:
    (one,) = found
    return one


# Which pull to repeat


@pytest.mark.parametrize("spread", [EASY_BAY, HARD_BAY])
@pytest.mark.parametrize("powers", [(450, 452, 453), (449, 450, 452, 451), (450, 447, 448, 449)])
def test_three_or_four_pulls_within_three_horsepower_at_450_need_no_repeat(powers, spread):
    """Common practice, no source."""
    assert repeats(pulls(*powers), spread=spread) == ()


def test_the_pull_furthest_from_the_others_is_the_one_to_repeat_when_they_disagree():
    found = only(repeats(pulls(100, 97, 100.2)))
    assert found.pull == 2
    # 97 against the mean of 100 and 100.2 in logs: 97 / 100.1 = 0.9690; three pulls at 0.5 %: 4.7 x 0.5 = 2.35 %
    # apart in logs, as the check says it: ln(100.2 / 97) = 3.25 %
    assert found.why == (
        "it reads 3.1 % under the others, so all lie 3.2 % apart; good pulls here keep within 2.4 %"
    )
    assert found.codes == {DISAGREE}


def test_a_noisier_bay_finds_nothing_odd_in_the_same_pulls():
    assert repeats(pulls(100, 97, 100.2), spread=0.01) == ()


def test_a_pull_that_reads_high_is_repeated_too():
    assert only(repeats(pulls(100, 100.3, 103.5, 99.9))).why.startswith("it reads 3.4 % over the others")


def test_of_two_that_disagree_one_more_pull_shows_which_to_keep():
    found = only(repeats(pulls(100, 96)))
    assert found.pull is None
    # ln(100 / 96) = 4.08 %; two pulls at 0.5 %: 4.1 x 0.5 = 2.05 %, which a float holds a hair below
    assert found.why == (
        "one more pull shows which to keep: the two lie 4.1 % apart; good pulls here keep within 2.0 %"
    )


def test_no_single_pull_is_blamed_where_the_others_disagree_as_well():
    found = only(repeats(pulls(100, 97, 94)))
    assert found.pull is None
    assert "none stands out" in found.why


def test_a_single_pull_asks_for_one_more():
    assert only(repeats(pulls(100))) == Repeat(None, "one more pull shows whether it repeats")


def test_a_pull_with_a_doubt_of_its_own_is_repeated_and_the_doubt_said_with_it():
    found = only(repeats(pulls(100, 100.1, 99.9), (doubt(pull_n=3),)))
    assert found.pull == 3
    assert found.why == f"inlet air starts at 47 °C; consistent with {RULES['heat-soak'].means}"


def test_a_doubt_that_stands_against_every_pull_is_not_mended_by_repeating_one():
    everywhere = tuple(doubt(pull_n=n) for n in (1, 2, 3))
    assert repeats(pulls(100, 100.1, 99.9), everywhere) == ()


def test_a_doubt_about_what_was_typed_is_not_mended_by_another_pull():
    assert repeats(pulls(100, 100.1, 99.9), (doubt("factor-outside-limits", pull_n=2),)) == ()


@pytest.mark.parametrize("code", ["rpm-coverage", "few-samples"])
def test_a_curve_that_was_cut_short_is_mended_by_another_pull(code):
    assert RULES[code].area == "typing"
    assert only(repeats(pulls(100, 100.1, 99.9), (doubt(code, pull_n=2),))).pull == 2


def test_what_the_check_found_apart_is_apart_though_the_bay_spreads_further_by_now():
    assert only(repeats(pulls(100, 98, 100.1), (doubt(DISAGREE),))).pull == 2
    assert repeats(pulls(100, 98, 100.1)) == ()


def test_what_somebody_confirmed_needs_no_repeat():
    assert repeats(pulls(100, 96, 100.2), (doubt(DISAGREE, open=False),)) == ()


def test_a_note_on_a_pull_asks_for_no_repeat():
    assert repeats(pulls(100, 100.1, 99.9), (doubt(pull_n=2, level="note"),)) == ()


def test_a_first_pull_that_reads_low_while_warming_is_repeated_as_a_settling_one():
    warm = doubt(WARMING, pull_n=1, level="note")
    found = only(repeats(pulls(97, 100, 100.2), (warm,)))
    assert found.pull == 1
    assert "mark it as settling" in found.why
    assert DISAGREE in found.codes, "that it reads low is the reason why the pulls disagree"


def test_a_doubted_pull_explains_the_disagreement_only_where_the_others_agree():
    own = (doubt(pull_n=3),)
    assert DISAGREE in only(repeats(pulls(100, 100.2, 95), own)).codes
    assert DISAGREE not in only(repeats(pulls(100, 95, 99), own)).codes


def test_nothing_is_to_be_repeated_before_somebody_has_looked_where_a_check_says_stop():
    assert "lean-at-full-load" in STOP
    assert repeats(pulls(100, 90, 100), (doubt("lean-at-full-load", pull_n=2),)) == ()
    cleared = doubt("lean-at-full-load", pull_n=2, open=False)
    assert only(repeats(pulls(100, 90, 100), (cleared,))).pull == 2


@pytest.mark.parametrize("spread", [EASY_BAY, HARD_BAY])
@pytest.mark.parametrize("count", [2, 3, 4])
def test_fewer_than_one_good_set_in_a_hundred_is_asked_to_repeat_a_pull(count, spread):
    """Normal pulls at the bay's own spread; one seed, 4000 sets."""
    sets = np.random.default_rng(15).normal(math.log(120.0), spread, (4000, count))
    asked = sum(bool(repeats(pulls(*np.exp(one)), spread=spread)) for one in sets)
    assert 0 < asked < 0.01 * len(sets)


def test_a_pull_three_percent_low_is_picked_out_in_an_easy_bay():
    """One of three pulls 3 % (6.7 spreads) low: the limit of 4.3 spreads finds it nearly always, and seldom another."""
    sets = np.random.default_rng(15).normal(0.0, EASY_BAY, (1000, 3))
    sets[:, 1] += math.log(0.97)
    found = [repeats(pulls(*np.exp(one)), spread=EASY_BAY) for one in sets]
    assert sum(one != () and one[0].pull == 2 for one in found) > 950
    assert sum(one != () and one[0].pull in (1, 3) for one in found) < 10


def test_pulls_without_a_peak_power_are_not_judged():
    assert range_of(pulls(100, None)) is None
    assert repeats(pulls(100, None, 90)) == ()


def test_a_setup_without_a_pull_that_counts_asks_for_nothing():
    assert repeats([]) == ()


@given(st.permutations([100.0, 100.3, 99.8, 96.0]))
def test_which_pull_is_odd_does_not_depend_on_the_order(powers):
    assert only(repeats(pulls(*powers))).pull == powers.index(96.0) + 1


@given(st.lists(st.floats(50.0, 500.0), min_size=2, max_size=6), st.floats(0.2, 5.0))
def test_the_level_of_the_pulls_does_not_matter(powers, times):
    scaled = pulls(*(power * times for power in powers))
    assert range_of(scaled) == pytest.approx(range_of(pulls(*powers)), abs=1e-9)


@pytest.mark.parametrize("code", sorted(SLIPS))
def test_no_pull_is_picked_out_by_its_level_alone_while_slip_or_speed_is_in_doubt(code):
    """A slip that grows leaves the first pull over the others."""
    everywhere = tuple(doubt(code, pull_n=n) for n in (1, 2, 3))
    assert repeats(pulls(103, 100, 100.1)) != ()
    assert repeats(pulls(103, 100, 100.1), everywhere) == ()
    assert only(repeats(pulls(103, 100, 100.1), (replace(everywhere[0], open=False),))).pull == 1


def test_every_check_of_slip_and_speed_is_known_as_a_doubt():
    assert {RULES[code].level for code in SLIPS} == {"doubtful"}


def test_the_way_out_of_heat_soak_is_to_let_it_cool():
    own_words = doubt(pull_n=3, message="starts 8 °C hotter: consistent with heat soak")
    found = only(repeats(pulls(100, 100.1, 99.9), (own_words,)))
    assert found.why == "starts 8 °C hotter: consistent with heat soak; let it cool first"


@pytest.mark.parametrize(("count", "again"), [(2, True), (3, True), (4, False)])
def test_a_settling_pull_asks_for_another_only_where_too_few_good_ones_remain(count, again):
    """Three good pulls make a setup (common practice, no source)."""
    warm = doubt(WARMING, level="note", pull_n=1, message="reads 2 % low")
    found = only(repeats(pulls(98, *[100.0] * (count - 1)), (warm,)))
    assert (found.pull, found.again) == (1, again)
    assert found.why.endswith("mark it as settling and pull once more" if again else "mark it as settling")
    named = "Repeat pull 1: " if again else "Pull 1: "
    assert sentences(a_review(a_setup(repeats=(found,))), "si")[0] == f"{named}{found.why}."


# What moved between the pulls


def drift(name: str, *values: float):
    """The drift of one condition over pulls at these values."""
    condition = next(one for one in CONDITIONS if one.name == name)
    (found,) = drifts_of(pulls(*[100.0] * len(values), **{condition.field: list(values)}))
    return found


@pytest.mark.parametrize(
    ("name", "values"),
    [("coolant", (84.0, 85.0, 84.0)), ("inlet", (38.0, 41.0)), ("inlet", (38.0, 39.0, 41.0, 40.0))],
)
def test_coolant_at_84_to_85_and_inlet_at_38_to_41_degrees_count_as_held(name, values):
    """Common practice, no source."""
    assert not drift(name, *values).outside


@pytest.mark.parametrize(
    ("name", "held", "moved"),
    # Windows between compared pulls: common practice, no source.
    [
        ("inlet", 3.0, 3.1), ("coolant", 3.0, 3.1), ("oil", 5.0, 5.1), ("lambda", 0.015, 0.016), ("map", 2.0, 2.1),
        ("temperature", 2.0, 2.1), ("pressure", 0.3, 0.31),
    ],
)  # fmt: skip
def test_a_condition_is_outside_beyond_its_window_and_not_at_it(name, held, moved):
    assert not drift(name, 0.9, 0.9 + held).outside
    assert drift(name, 0.9, 0.9 + moved).outside


def test_a_condition_that_went_and_came_back_has_moved():
    found = drift("inlet", 30.0, 38.0, 31.0)
    assert (found.first, found.last, found.range) == (30.0, 31.0, 8.0)
    assert found.outside


def test_what_was_recorded_for_one_pull_only_has_no_drift():
    one, two = pulls(100, 100)
    assert list(drifts_of([replace(one, conditions={"oil_c": 80.0}), two])) == []


# The sentences


def a_setup(n: int = 1, **fields: object) -> SetupReview:
    """Three pulls within 0.4 % at 118 kW, nothing wrong; standard error 0.5 %, smallest change 1.5 %."""
    told: dict = {
        "n": n, "label": None, "parts": (), "struck": False, "pulls": 3, "peaks_only": False,
        "standard": "sae-j1349", "standing": "by SAE J1349", "mean_kw": 118.24, "spread": 0.002, "range": 0.004, "explained": 0.0215,
        "error": 0.005, "smallest": 0.015, "drifts": (), "repeats": (), "place": None,
    }  # fmt: skip
    return SetupReview(**told | fields)


def a_review(*setups: SetupReview, comparisons=(), findings=(), struck=False) -> Review:
    return Review(
        session=UUID(int=1), vehicle="stoat-1", platform="stoat", bay="north",
        started_at=datetime(2026, 3, 1, tzinfo=UTC), struck=struck, standard="sae-j1349", pull_spread=0.005,
        setups=setups or (a_setup(),), comparisons=tuple(comparisons), findings=in_order(findings),
    )  # fmt: skip


def a_comparison(**fields: object) -> Comparison:
    """+5 % for a part in this session, known to 1.5 %."""
    told: dict = {
        "part": "wide-pipe", "against": None, "before": (UUID(int=1), 1), "after": (UUID(int=1), 2),
        "match": "same-session", "held": True, "usable": True, "differs": (), "gain": 0.0491,
        "interval": (0.0342, 0.0641), "gain_kw": 5.8, "returned": None,
    }  # fmt: skip
    return Comparison(**told | fields)


def a_place(**fields: object) -> Place:
    """A stock car 2 % under the median of twelve others, above three of them."""
    told: dict = {
        "stock": True, "cars": 12, "median_kw": 120.66, "deviation": -0.0203, "above": 3, "percentile": 25.0,
        "interval": (10.0, 49.0), "noise": 0.009,
    }  # fmt: skip
    return Place(**told | fields)


def test_a_good_session_says_that_nothing_is_to_be_seen():
    assert sentences(a_review(), "si") == [
        "118 kW by SAE J1349, three pulls within 0.4 %; nothing needs repeating.",
        "With three pulls a side, a change under 1.5 % (1.8 kW) cannot be told from nothing.",
        "This bay's pulls spread by 0.50 %.",
    ]


def test_figures_are_said_in_the_asked_units():
    # 118.24 kW / 0.7457 = 158.6 hp, noise 1.96 x 0.5 % = 1.6 hp: to the whole; 1.5 % of it 2.4 hp
    assert sentences(a_review(), "us")[:2] == [
        "159 hp by SAE J1349, three pulls within 0.4 %; nothing needs repeating.",
        "With three pulls a side, a change under 1.5 % (2.4 hp) cannot be told from nothing.",
    ]


def test_a_small_engine_is_rounded_to_its_own_noise():
    # 1.96 x 0.5 % of 31.38 kW = 0.31 kW: to the tenth; of 75.68 kW 0.74 kW: to the whole
    assert sentences(a_review(a_setup(mean_kw=31.38)), "si")[0].startswith("31.4 kW by")
    assert sentences(a_review(a_setup(mean_kw=75.68)), "si")[0].startswith("76 kW by")


def test_pulls_are_never_said_to_lie_nothing_apart():
    assert "three pulls within 0.1 %;" in sentences(a_review(a_setup(range=0.0002)), "si")[0]


def test_a_reason_why_it_stands_elsewhere_is_set_off():
    told = a_setup(standard=None, standing="as measured, not corrected: humidity was not recorded")
    assert sentences(a_review(told), "si")[0] == (
        "118 kW as measured, not corrected: humidity was not recorded; three pulls within 0.4 %; nothing needs repeating."
    )


def test_every_condition_that_pairing_looks_at_has_words():
    looked_at = {*WINDOWS, "gear", "ratio", "tyre_size"}
    assert set(COMPARED) == looked_at
    air = a_comparison(held=False, differs=[{"what": "temperature_c", "before": 20.0, "after": 23.0}])
    assert any(
        "not held: bay air 20 °C before, 23 °C after" in one
        for one in sentences(a_review(comparisons=[air]), "si")
    )


def test_the_pull_to_repeat_comes_first():
    odd = a_setup(range=0.031, repeats=(Repeat(2, "it reads 3.1 % under the others", frozenset({DISAGREE})),))
    said = sentences(a_review(odd, findings=[doubt(DISAGREE)]), "si")
    assert said[:2] == [
        "Repeat pull 2: it reads 3.1 % under the others.",
        "118 kW by SAE J1349, three pulls within 3.1 %.",
    ]
    assert not any(RULES[DISAGREE].means in one for one in said), "one thing is said once"


def test_with_several_setups_each_sentence_says_which():
    odd = a_setup(2, parts=("wide-pipe",), pulls=1, range=None, repeats=(Repeat(None, "one more pull"),))
    said = sentences(a_review(a_setup(label="as found"), odd), "si")
    assert said[:3] == [
        "Setup 2: one more pull.",
        "Setup 1 (as found): 118 kW by SAE J1349, three pulls within 0.4 %; nothing needs repeating.",
        "Setup 2 (wide-pipe): 118 kW by SAE J1349, one pull.",
    ]


def test_a_stop_goes_before_everything_with_the_caution_beside_it():
    lean = doubt("lean-at-full-load", pull_n=2, message="stop and check: lambda is 0.98 at full load")
    said = sentences(a_review(findings=[doubt("few-samples"), lean]), "si")
    assert said[:2] == ["Stop and check: lambda is 0.98 at full load (pull 2).", SAFETY]
    assert sum("0.98" in one for one in said) == 1


def test_a_stop_names_every_pull_it_stands_against():
    lean = [doubt("lean-at-full-load", pull_n=n, message=f"stop and check: 0.9{n}") for n in (1, 2, 3)]
    said = sentences(a_review(findings=lean), "si")
    assert said[:2] == ["Stop and check: 0.91 (pulls 1, 2 and 3).", SAFETY]
    assert not any("0.92" in one or "0.93" in one for one in said)


def test_every_check_that_says_stop_and_check_is_known_as_a_stop():
    says_so = {code for code, rule in RULES.items() if "stop and check" in inspect.getsource(rule.look)}
    assert says_so == STOP


def test_doubts_are_said_in_the_order_in_which_a_cause_is_looked_for():
    findings = [
        doubt("falls-with-rpm", area="exhaust", message="falls at the top"),
        doubt("heat-soak", message="inlet air starts hot"),
        doubt("few-samples", message="40 samples"),
    ]
    said = sentences(a_review(findings=findings), "si")
    assert [one.partition(":")[0] for one in said[:4]] == ["Typing", "Heat", "Exhaust", "Look in this order"]
    assert said[3] == "Look in this order: typing, then heat, then exhaust."
    assert a_review(findings=findings).look_first() == ["typing", "heat", "exhaust"]


def test_a_doubt_is_never_a_diagnosis():
    said = sentences(a_review(findings=[doubt("few-samples", message="40 samples")]), "si")
    assert said[0] == f"Typing: 40 samples; consistent with {RULES['few-samples'].means}."
    asks = doubt(message="is another gear written down?")
    assert sentences(a_review(findings=[asks]), "si")[0] == "Heat: is another gear written down?"
    own_words = doubt(message="starts hot: consistent with heat soak")
    assert (
        sentences(a_review(findings=[own_words]), "si")[0] == "Heat: starts hot: consistent with heat soak."
    )


def test_the_same_of_several_pulls_is_one_sentence():
    findings = [doubt(pull_n=n, message="starts hot, consistent with heat soak") for n in (1, 2, 3)]
    said = sentences(a_review(findings=findings), "si")
    assert said[0] == "Heat, pulls 1, 2 and 3: starts hot, consistent with heat soak."
    assert said[1] == "118 kW by SAE J1349, three pulls within 0.4 %; they agree, but a doubt stands."


def test_the_same_of_several_setups_is_one_sentence():
    findings = [doubt("stock-not-checked", setup_n=n, level="note", message="unknown") for n in (1, 2)]
    said = sentences(a_review(a_setup(), a_setup(2), findings=findings), "si")
    assert said[-1].startswith("Typing, setups 1 and 2: unknown;")


def test_the_very_same_note_on_pulls_of_several_setups_is_one_sentence():
    findings = [
        doubt("air-incomplete", setup_n=n, pull_n=pull, level="note", message="no humidity")
        for n in (1, 2)
        for pull in (1, 2, 3)
    ]
    said = sentences(a_review(a_setup(), a_setup(2), findings=findings), "si")
    assert [one for one in said if "humidity" in one] == [
        f"Weather, setups 1 and 2, pulls 1, 2 and 3: no humidity; consistent with {RULES['air-incomplete'].means}."
    ]


def test_units_in_a_checks_words_are_printed_with_their_space():
    wet = doubt("few-samples", message="30% of 12 degC at 200 N.m, 7.5% less")
    said = sentences(a_review(findings=[wet]), "si")
    assert said[0].startswith("Typing: 30 % of 12 °C at 200 N·m, 7.5 % less;")


def test_one_fact_of_many_pulls_is_one_sentence_that_says_whose_figures_it_shows():
    findings = [
        doubt("engine-not-warm", setup_n=n, pull_n=pull, message=f"oil at {50 + pull} °C?")
        for n, count in ((1, 3), (2, 2))
        for pull in range(1, count + 1)
    ]
    said = sentences(a_review(a_setup(), a_setup(2), findings=findings), "si")
    assert [one for one in said if "oil" in one] == [
        "Heat, setup 1, pulls 1, 2 and 3; setup 2, pulls 1 and 2 (the first one's figures): oil at 51 °C?"
    ]


def test_pulls_to_repeat_for_the_same_reason_are_named_together():
    hot = tuple(Repeat(n, f"it starts at {n}0 °C", frozenset({"heat-soak"})) for n in (2, 3))
    assert sentences(a_review(a_setup(repeats=hot)), "si")[0] == (
        "Repeat pulls 2 and 3 (the first one's figures): it starts at 20 °C."
    )


def test_a_cleared_doubt_is_not_said_again():
    assert sentences(a_review(findings=[doubt(open=False)]), "si") == sentences(a_review(), "si")


def test_notes_come_last():
    note = doubt("air-incomplete", level="note", message="no humidity")
    assert sentences(a_review(findings=[note]), "si")[-1].startswith("Weather: no humidity; consistent with")


def test_what_moved_is_said_in_the_asked_units():
    hot = a_setup(drifts=(drift("inlet", 31.0, 35.0, 39.0),))
    assert sentences(a_review(hot), "si")[1] == (
        "Inlet air went from 31 to 39 °C between the pulls; 3 °C counts as held."
    )
    # 31 degC = 87.8, 39 degC = 102.2 degF; a difference of 3 degC is 5.4 degF
    assert sentences(a_review(hot), "us")[1] == (
        "Inlet air went from 88 to 102 °F between the pulls; 5 °F counts as held."
    )


def test_what_went_and_came_back_is_said_by_how_far_it_moved():
    hot = a_setup(drifts=(drift("inlet", 30.0, 38.0, 31.0), drift("coolant", 84.0, 85.0)))
    said = sentences(a_review(hot), "si")
    assert said[1] == "Inlet air moved by 8 °C between the pulls; 3 °C counts as held."
    assert not any("oolant" in one for one in said), "what was held is not worth a sentence"
    two = sentences(a_review(a_setup(), replace(hot, n=2, parts=("wide-pipe",))), "si")
    assert "Setup 2: inlet air moved by 8 °C between the pulls; 3 °C counts as held." in two


def test_lambda_has_no_unit():
    lean = a_setup(drifts=(drift("lambda", 0.86, 0.89),))
    assert sentences(a_review(lean), "us")[1] == (
        "Lambda went from 0.86 to 0.89 between the pulls; 0.015 counts as held."
    )


def test_a_gain_is_rounded_to_its_noise_and_carries_its_interval():
    said = sentences(a_review(a_setup(), a_setup(2), comparisons=[a_comparison()]), "si")
    assert said[-1] == (
        "wide-pipe: +5 % (+6 kW) peak power, between +3.5 and +6.5 %, in this session; conditions held."
    )


def test_a_gain_within_the_noise_is_not_established():
    nothing = a_comparison(gain=0.006, interval=(-0.009, 0.021), gain_kw=0.7)
    assert sentences(a_review(comparisons=[nothing]), "si")[-1] == (
        "wide-pipe: no change established, between -1 and +2 %, in this session; conditions held."
    )


def test_a_repeated_state_says_whether_it_came_back():
    repeated = a_comparison(match="same-session-aba", returned=-0.004)
    said = sentences(a_review(comparisons=[repeated]), "si")[-1]
    assert "one state measured twice (0.4 % lower the second time)" in said


def test_conditions_that_were_not_held_are_named_with_their_figures():
    differs = (
        {"what": "inlet_c", "before": 24.0, "after": 35.0, "window": 3.0},
        {"what": "coolant_c", "before": None, "after": 88.0, "window": 3.0},
        {"what": "gear", "before": 3, "after": 4, "window": None},
    )
    moved = a_comparison(held=False, differs=differs)
    assert sentences(a_review(comparisons=[moved]), "si")[-1].endswith(
        "not held: inlet air 24 °C before, 35 °C after, gear 3 before, 4 after; "
        "not recorded on both sides: coolant."
    )


def test_a_condition_recorded_on_neither_side_is_not_said_to_have_moved():
    differs = tuple(
        {"what": what, "before": None, "after": None, "window": 3.0} for what in ("coolant_c", "inlet_c")
    )
    (*_, said) = sentences(a_review(comparisons=[a_comparison(held=False, differs=differs)]), "si")
    assert said.endswith("not recorded on both sides: coolant, inlet air.")
    assert "not held" not in said


def test_a_comparison_in_doubt_says_that_it_is_left_out():
    assert sentences(a_review(comparisons=[a_comparison(usable=False)]), "si")[-1].endswith(
        "left out of the answers while a doubt stands."
    )


def test_a_comparison_with_another_session_is_not_worth_a_sentence_while_in_doubt():
    elsewhere = a_comparison(match="other-bay", usable=False)
    assert not any("wide-pipe" in one for one in sentences(a_review(comparisons=[elsewhere]), "si"))
    sure = replace(elsewhere, usable=True)
    assert sentences(a_review(comparisons=[sure]), "si")[-1].endswith("against another bay; conditions held.")


def test_two_states_without_a_pair_say_what_a_pair_needs():
    said = sentences(a_review(a_setup(), a_setup(2)), "si")
    assert (
        said[-1] == "No before/after pair in this session: a pair needs two states that differ by one part."
    )


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (a_place(cars=0, median_kw=None, deviation=None), "No other stock car of this kind was measured yet: "
         "nothing to compare it with"),
        (a_place(cars=2, deviation=None), "2 other stock cars of this kind measured so far: too few to compare "
         "it with"),
        (a_place(cars=7, percentile=None), "7 other stock cars of this kind so far: it reads 2 % under their "
         "median (121 kW), too few for a verdict"),
        (a_place(cars=9, percentile=None), "Among 9 other stock cars of this kind: above 3 of them, 2 % under "
         "their median (121 kW)"),
        (a_place(percentile=24.9), "Lower part among 12 other stock cars of this kind: above 3 of them, 2 % "
         "under their median (121 kW)"),
        (a_place(percentile=100.0, above=12, deviation=0.04), "Upper part among 12 other stock cars of this kind: "
         "above all of them, 4 % over their median (121 kW)"),
        (a_place(stock=False), "Does not count as stock: it reads 2 % under the median (121 kW) of 12 other stock "
         "cars of this kind"),
    ],
)  # fmt: skip
def test_a_place_says_no_more_than_so_many_cars_allow(place, words):
    assert place_sentence(place, "si") == words


def test_a_stock_car_that_reads_low_gets_no_verdict_from_a_number():
    low, fine = a_place(percentile=8.0, above=1), a_place(percentile=50.0)
    assert NOT_A_VERDICT in sentences(a_review(a_setup(place=low)), "si")
    assert NOT_A_VERDICT not in sentences(a_review(a_setup(place=fine)), "si")
    few = a_place(percentile=None, cars=7, above=0)
    assert NOT_A_VERDICT not in sentences(a_review(a_setup(place=few)), "si"), "no verdict under eight cars"


def test_the_stock_state_is_placed_and_none_in_doubt():
    tuned, stock = a_setup(1, place=a_place(stock=False)), a_setup(2, place=a_place())
    said = sentences(a_review(tuned, stock), "si")
    assert [one for one in said if "other stock cars" in one] == [
        "Setup 2: middle part among 12 other stock cars of this kind: above 3 of them, 2 % under their median (121 kW)."
    ]
    doubted = sentences(a_review(stock, findings=[doubt(setup_n=2)]), "si")
    assert not any("other stock cars" in one for one in doubted)


def test_a_struck_session_says_that_it_counts_nowhere_and_little_else():
    struck = a_setup(struck=True, pulls=0, mean_kw=None, range=None, smallest=None)
    assert sentences(a_review(struck, struck=True), "si") == ["This session is struck: it counts nowhere."]


def test_a_setup_without_a_pull_that_counts_says_so():
    empty = a_setup(pulls=0, mean_kw=None, range=None, smallest=None)
    assert sentences(a_review(empty), "si") == ["No pull counts: all are settling, rejected or struck."]


def test_an_old_record_of_peaks_says_that_nothing_is_known_of_its_pulls():
    old = a_setup(peaks_only=True, pulls=1, range=None, explained=None)
    assert sentences(a_review(old), "si") == [
        "118 kW by SAE J1349, peak figures only: nothing is known of how well its pulls agree."
    ]


def test_nobody_reads_more_than_a_dozen_sentences():
    findings = [doubt(f"gone-{n}", message=f"thing {n}") for n in range(20)]
    said = sentences(a_review(findings=findings), "si")
    # 20 doubts, the setup, the change, the bay's spread: 23; 11 are said
    assert len(said) == MOST == 12
    assert said[-1] == "And 12 more: read the findings."


def test_within_an_area_doubts_stand_before_notes():
    note, grave = doubt(WARMING, level="note"), doubt("heat-soak")
    assert note.area == grave.area
    assert in_order([note, grave]) == (grave, note)


@given(st.lists(st.sampled_from(sorted(RULES)), max_size=8))
def test_findings_stand_in_the_order_of_the_areas_whatever_order_they_came_in(codes):
    areas = [AREAS.index(one.area) for one in in_order([doubt(code) for code in codes])]
    assert areas == sorted(areas)
