"""`bayledger ask`: an answer in words. The document is the example of the contract's page."""

import copy
import json

import pytest

from service.schemas.queries import GainQuery

ANSWER = {
    "question": {"part": "downpipe-200", "platform": "stoat", "measure": "peak_power", "against": "without",
                 "standard": "sae-j1349", "units": "us"},
    "typical": 11.8, "typical_percent": 5.1,
    "typical_interval": [9.9, 13.7], "next_car_interval": [6.4, 17.3], "level": 0.9,
    "chance_of_gain": 0.99, "noise_floor": 2.1, "context": "alone",
    "evidence": {"grade": "strong", "cars": 9, "pairs": 12, "bays": 2, "like_for_like": 10},
    "cost": {"price": 480.0, "labour_hours": 2.5, "labour_rate": 72.0, "fitted": 660.0, "currency": "GBP",
             "per_unit": 55.9, "per_unit_interval": [48.2, 66.7]},
    "cautions": ["the car must be lawful where it is driven", "no promise for another car"],
    "pairs": [{"vehicle": f"stoat-{n:03}", "gain": 12.4, "percent": 5.3, "match": "same-session-aba", "held": True,
               "differs": []} for n in range(12)],
}  # fmt: skip
ASK = ("ask", "--part", "downpipe-200", "--platform", "stoat")


@pytest.fixture
def answer(pretend_ledger):
    pretend_ledger.document = copy.deepcopy(ANSWER)
    return pretend_ledger.document


def test_the_answer_comes_first_in_one_sentence(run, answer, pretend_ledger):
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert shown.splitlines()[0] == (
        "downpipe-200 on stoat, against the same car without it: typically adds 11.8 hp (+5.1 %) of peak power."
    )


def test_intervals_grade_cost_and_cautions_follow_in_words(run, answer, pretend_ledger):
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "Evidence strong" in shown
    assert "9 cars counted, of 12 comparisons (10 like for like), in 2 bays." in shown
    assert "The typical car: 90 % sure: between +9.9 and +13.7 hp." in shown
    assert "One more car: 90 % sure: between +6.4 and +17.3 hp." in shown
    assert "Below 2.1 hp" in shown
    assert "Fitted: 660 GBP (2.5 h of labour); 56 GBP per hp." in shown
    assert "Caution: the car must be lawful" in shown
    assert "Caution: no promise for another car" in shown


def test_the_table_shows_eight_pairs_and_counts_the_rest(run, answer, pretend_ledger):
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert shown.count("same-session-aba") == 8
    assert "8 of 12 comparisons shown; --json lists 12." in shown


def test_what_was_not_recorded_is_not_said_to_differ(run, answer, pretend_ledger):
    neither = [{"what": what, "before": None, "after": None, "window": 3.0} for what in ("coolant", "inlet")]
    moved = {"what": "oil", "before": 90.0, "after": 110.0, "window": 5.0}
    answer["pairs"] = [{**answer["pairs"][0], "held": False, "differs": neither}] * 2
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert shown.count("not recorded\n") == 2
    assert "differ" not in shown
    assert "Not recorded on both sides: coolant, inlet air." in shown
    answer["pairs"][0] = {**answer["pairs"][0], "differs": [*neither, moved]}
    assert "differ" in run(*ASK, "--url", pretend_ledger.url).out


def test_comparisons_that_the_answer_counts_and_does_not_list_are_said_to_be_there(
    run, answer, pretend_ledger
):
    answer["evidence"] |= {"cars": 3, "pairs": 42}
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "3 cars counted, of 42 comparisons" in shown
    assert "8 of 42 comparisons shown; --json lists 12, at most five a car are listed." in shown
    answer["pairs"] = answer["pairs"][:5]
    assert (
        "5 of 42 comparisons shown; at most five a car are listed."
        in run(*ASK, "--url", pretend_ledger.url).out
    )


def test_one_of_a_kind_is_said_in_the_singular(run, answer, pretend_ledger):
    answer["evidence"] |= {"grade": "thin", "cars": 1, "pairs": 1, "bays": 1, "like_for_like": 1}
    answer["pairs"] = answer["pairs"][:1]
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "1 car counted, of 1 comparison (1 like for like), in 1 bay." in shown
    assert "shown;" not in shown


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ({"measure": "torque_at", "rpm": 3500.0}, "of torque at 3500 rpm."),
        ({"measure": "band_power", "from": 3000.0, "to": 5000.0}, "of mean power from 3000 to 5000 rpm."),
    ],
)
def test_the_sentence_says_at_which_speed_or_over_which_band(run, answer, pretend_ledger, place, words):
    answer["question"] |= place
    assert run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0].endswith(words)


@pytest.mark.parametrize("typical", [-0.04, 0.04, -1.2])
def test_a_gain_that_cannot_be_told_from_nothing_is_called_about_nothing(
    run, answer, pretend_ledger, typical
):
    answer |= {"typical": typical, "typical_percent": typical / 2, "typical_interval": [-2.5, 1.6]}
    first = run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0]
    assert "typically changes peak power by about nothing (less than the 2.1 hp" in first
    assert f"{typical:.1f}" not in first


def test_a_gain_that_is_hardly_known_is_not_called_about_nothing(run, answer, pretend_ledger):
    answer |= {"typical": 1.9, "typical_percent": 1.0, "typical_interval": [-21.6, 30.8]}
    first = run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0]
    assert "about nothing" not in first
    assert first.endswith("That is not established: it may as well be nothing.")


def test_a_small_gain_that_many_cars_establish_keeps_its_figure(run, answer, pretend_ledger):
    answer |= {"typical": 1.2, "typical_percent": 0.5, "typical_interval": [0.4, 2.0]}
    first = run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0]
    assert "typically adds 1.2 hp (+0.5 %)" in first


def test_nought_has_no_sign(run, answer, pretend_ledger):
    answer |= {"typical_interval": [-0.04, 3.0]}
    answer["pairs"][0] |= {"gain": -0.01, "percent": -0.0}
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "between 0.0 and +3.0 hp" in shown
    assert "-0.0" not in shown


def test_a_gain_known_in_percent_alone_is_given_in_percent(run, answer, pretend_ledger):
    answer |= {"typical": None, "typical_interval": None, "next_car_interval": None, "noise_floor": None,
               "typical_interval_percent": [4.0, 6.2]}  # fmt: skip
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert shown.splitlines()[0].endswith("typically adds 5.1 % of peak power.")
    assert "The typical car: 90 % sure: between +4.0 and +6.2 %." in shown


def test_comparisons_of_which_none_counts_are_not_called_never_measured(run, answer, pretend_ledger):
    answer |= dict.fromkeys(("typical", "typical_percent", "typical_interval", "next_car_interval"))
    answer["evidence"] = {"grade": "none", "cars": 0, "pairs": 2, "bays": 0, "like_for_like": 0}
    assert "Evidence none: of 2 comparisons none counts." in run(*ASK, "--url", pretend_ledger.url).out


def test_a_gain_whose_interval_holds_nought_is_called_not_established(run, answer, pretend_ledger):
    answer["typical_interval"], answer["cost"]["per_unit"] = [-1.0, 3.0], None
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "not established" in shown.splitlines()[0]
    assert "between -1.0 and +3.0 hp" in shown
    assert "no cost per unit: gain not established" in shown


def test_too_few_cars_for_an_interval_is_said_in_the_sentence(run, answer, pretend_ledger):
    answer |= {"typical_interval": None, "next_car_interval": None}
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "not known yet" in shown.splitlines()[0]
    assert "typical car:" not in shown
    assert "One more car:" not in shown


def test_a_borrowed_answer_says_from_how_many_cars_of_other_kinds(run, answer, pretend_ledger):
    answer["evidence"] = {"grade": "borrowed", "cars": 0, "cars_with": 2, "cars_elsewhere": 31, "pairs": 0}
    answer["pairs"] = []
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "typically adds 11.8 hp (+5.1 %)" in shown.splitlines()[0]
    assert (
        "Evidence borrowed: not measured by itself on this kind, judged from others: 31 cars of other kinds and 2 cars of this kind "
        "with other parts changed too."
    ) in shown


def test_what_the_pairs_say_by_themselves_stands_beside_the_whole_history(run, answer, pretend_ledger):
    answer |= {
        "method": "history-model",
        "pairs_only": {"typical_percent": 5.3, "interval_percent": [4.1, 6.5]},
    }
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "By its pairs alone: +5.3 %, between +4.1 and +6.5 %." in shown
    answer["method"] = "pairs-only"
    assert "By its pairs alone" not in run(*ASK, "--url", pretend_ledger.url).out


def test_a_loss_is_called_one(run, answer, pretend_ledger):
    answer |= {"typical": -4.0, "typical_percent": -1.7, "typical_interval": [-6.0, -2.0]}
    first = run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0]
    assert "takes 4.0 hp (-1.7 %)" in first
    assert "not established" not in first


def test_no_evidence_gives_no_number(run, answer, pretend_ledger):
    nothing = dict.fromkeys(
        ("typical", "typical_percent", "typical_interval", "next_car_interval", "noise_floor")
    )
    answer |= nothing | {"pairs": [], "cautions": ["never measured"]}
    answer["cost"] |= {"per_unit": None, "per_unit_interval": None}
    answer["evidence"] = {"grade": "none", "cars": 0, "pairs": 0, "bays": 0, "like_for_like": 0}
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "nothing is known about its peak power" in shown.splitlines()[0]
    assert "Evidence none: never measured" in shown
    assert "cost" not in shown
    assert "Fitted" not in shown
    assert "hp" not in shown


@pytest.mark.parametrize(
    ("measure", "units", "unit"),
    [
        ("peak_torque", "us", "lbf·ft"),
        ("peak_torque", "si", "N·m"),
        ("torque_at", "us", "lbf·ft"),
        ("band_torque", "si", "N·m"),
        ("band_power", "ps", "PS"),
    ],
)
def test_figures_carry_the_unit_of_the_measure(run, answer, pretend_ledger, measure, units, unit):
    answer["question"] |= {"measure": measure, "units": units}
    assert f"11.8 {unit} " in run(*ASK, "--url", pretend_ledger.url).out


def test_every_flag_reaches_the_question(run, answer, pretend_ledger):
    run(*ASK, "--measure", "band_power", "--from", 3000, "--to", 5000, "--against", "other", "--units", "ps",
        "--standard", "iso-1585", "--baseline", 180, "--level", 0.8, "--context", "alone", "--url", pretend_ledger.url)  # fmt: skip
    asked = pretend_ledger.asked[0][1]
    for piece in ("part=downpipe-200", "platform=stoat", "measure=band_power", "from=3000", "to=5000", "against=other",
                  "units=ps", "standard=iso-1585", "baseline=180", "level=0.8", "context=alone"):  # fmt: skip
        assert piece in asked


def test_json_is_the_answer_as_it_came(run, answer, pretend_ledger):
    assert json.loads(run(*ASK, "--json", "--url", pretend_ledger.url).out) == answer


def test_csv_is_asked_for_and_passed_on(run, pretend_ledger):
    pretend_ledger.document = "rpm,typical\n2000,1.1\n"
    ran = run(*ASK, "--csv", "--url", pretend_ledger.url)
    assert ran.out == "rpm,typical\n2000,1.1\n"
    assert pretend_ledger.asked[0][2]["Accept"] == "text/csv"


def test_an_unknown_part_passes_on_the_nearest_ones(run, pretend_ledger):
    pretend_ledger.status = 404
    pretend_ledger.document = {"detail": "there is no part 'downpipe-20'; nearest: downpipe-200"}
    ran = run(*ASK, "--url", pretend_ledger.url)
    assert ran.code == 1
    assert ran.err == "bayledger: there is no part 'downpipe-20'; nearest: downpipe-200 (404).\n"


def test_a_fault_in_the_question_is_said_with_its_parameter(run, pretend_ledger):
    pretend_ledger.status = 422
    pretend_ledger.document = {
        "detail": "2 faults in the request; nothing was kept",
        "errors": [{"parameter": "level", "value": "2", "detail": "must lie between 0.5 and 0.999"},
                   {"pointer": "", "detail": "the two parts share no slot"}],
    }  # fmt: skip
    ran = run(*ASK, "--level", 2, "--url", pretend_ledger.url)
    assert ran.err.splitlines()[1:] == [
        "  level: must lie between 0.5 and 0.999",
        "  the two parts share no slot",
    ]


def test_the_help_names_the_levels_that_the_service_takes(run):
    levels = GainQuery().fields["level"].validators[0]
    assert f"{levels.min:g} to {levels.max:g}" in run("ask", "--help").out


def test_json_and_csv_together_are_wrong_use(run):
    assert run(*ASK, "--json", "--csv").code == 2


def test_the_ledger_serving_the_data_folder_is_found_by_itself(run, answer, pretend_ledger, tmp_path):
    (tmp_path / "serve.json").write_text(json.dumps({"url": pretend_ledger.url, "pid": 1}))
    assert run(*ASK, "--data-dir", tmp_path).code == 0
    assert len(pretend_ledger.asked) == 1
