"""`bayledger ask`: an answer in words. The document is the example of the contract's page."""

import copy
import json

import pytest

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
    assert "9 cars, 12 pairs (10 like for like), 2 bays" in shown
    assert "The average car: 90 % sure: between +9.9 and +13.7 hp." in shown
    assert "One more car: 90 % sure: between +6.4 and +17.3 hp." in shown
    assert "Below 2.1 hp" in shown
    assert "Fitted: 660 GBP (2.5 h of labour); 56 GBP per hp." in shown
    assert "Caution: the car must be lawful" in shown
    assert "Caution: no promise for another car" in shown


def test_the_table_shows_eight_pairs_and_counts_the_rest(run, answer, pretend_ledger):
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert shown.count("same-session-aba") == 8
    assert "and 4 more" in shown


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
    assert "average car" not in shown


def test_a_loss_is_called_one(run, answer, pretend_ledger):
    answer |= {"typical": -4.0, "typical_percent": -1.7, "typical_interval": [-6.0, -2.0]}
    first = run(*ASK, "--url", pretend_ledger.url).out.splitlines()[0]
    assert "takes 4.0 hp (-1.7 %)" in first
    assert "not established" not in first


def test_no_evidence_gives_no_number(run, answer, pretend_ledger):
    nothing = dict.fromkeys(
        ("typical", "typical_percent", "typical_interval", "next_car_interval", "noise_floor")
    )
    answer |= nothing | {"pairs": [], "cost": None, "cautions": ["never measured"]}
    answer["evidence"] = {"grade": "none", "cars": 0, "pairs": 0, "bays": 0, "like_for_like": 0}
    shown = run(*ASK, "--url", pretend_ledger.url).out
    assert "nothing is known about its peak power" in shown.splitlines()[0]
    assert "Evidence none: never measured" in shown
    assert "hp" not in shown


@pytest.mark.parametrize(
    ("measure", "units", "unit"),
    [("peak_torque", "us", "lbf·ft"), ("peak_torque", "si", "N·m"), ("band_power", "ps", "PS")],
)
def test_figures_carry_the_unit_of_the_measure(run, answer, pretend_ledger, measure, units, unit):
    answer["question"] |= {"measure": measure, "units": units}
    assert f"11.8 {unit} " in run(*ASK, "--url", pretend_ledger.url).out


def test_every_flag_reaches_the_question(run, answer, pretend_ledger):
    run(*ASK, "--measure", "band_power", "--from", 3000, "--to", 5000, "--against", "other", "--units", "ps",
        "--standard", "iso-1585", "--baseline", 180, "--level", 0.8, "--url", pretend_ledger.url)  # fmt: skip
    asked = pretend_ledger.asked[0][1]
    for piece in ("part=downpipe-200", "platform=stoat", "measure=band_power", "from=3000", "to=5000", "against=other",
                  "units=ps", "standard=iso-1585", "baseline=180", "level=0.8"):  # fmt: skip
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


def test_json_and_csv_together_are_wrong_use(run):
    assert run(*ASK, "--json", "--csv").code == 2


def test_the_ledger_serving_the_data_folder_is_found_by_itself(run, answer, pretend_ledger, tmp_path):
    (tmp_path / "serve.json").write_text(json.dumps({"url": pretend_ledger.url, "pid": 1}))
    assert run(*ASK, "--data-dir", tmp_path).code == 0
    assert len(pretend_ledger.asked) == 1
