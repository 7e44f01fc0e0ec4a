"""`bayledger bay mark` and `send --forget`: what is put right before the session is closed."""

import pytest

from tests.cli.bays import bay as bay
from tests.cli.bays import ledger as ledger
from tests.cli.bays import settings_for

CAR = ("--car", "stoat-014", "--parts", "none")


def test_a_pull_is_rejected_after_it_was_taken_and_posted_as_rejected_with_its_reason(bay, ledger):
    bay("send", bay.file("a.csv", 1), bay.file("b.csv", 2), *CAR)
    ran = bay("mark", "b.csv", "--reject", "tyre slip")
    assert ran.code == 0
    assert ran.out.splitlines() == [
        "Session 1 of stoat-014:",
        "  1: a.csv, counts",
        "  2: b.csv, rejected: tyre slip",
    ]
    bay("done")
    first, second = ledger.posts[0]["setups"][0]["pulls"]
    assert ("status" in first, second["status"], second["reason"]) == (False, "rejected", "tyre slip")


def test_a_mark_is_taken_back_with_keep_and_a_warm_up_is_marked_by_its_number(bay, ledger):
    bay("send", bay.file("a.csv", 1), bay.file("b.csv", 2), *CAR, "--status", "rejected", "--reason", "cut")
    bay("mark", 2, "--keep")
    assert "  1: a.csv, settling, kept and counted nowhere\n" in bay("mark", 1, "--settling").out
    bay("done")
    first, second = ledger.posts[0]["setups"][0]["pulls"]
    assert first["status"] == "settling"
    assert not {"status", "reason"} & second.keys()
    assert "reason" not in first


def test_the_pulls_of_the_session_are_listed_with_their_numbers(bay):
    bay("send", bay.file("a.csv", 1), *CAR)
    assert bay("mark").out == "Session 1 of stoat-014:\n  1: a.csv, counts\n"
    bay("done")
    assert bay("mark").out == "No session is in work.\n"


def test_a_file_that_is_not_this_cars_is_taken_out_and_sent_again_with_other_words(bay, ledger):
    wrong = bay.file("b.csv", 2)
    bay("send", bay.file("a.csv", 1), wrong, *CAR)
    ran = bay("mark", "b.csv", "--take-out")
    assert ran.out.splitlines() == [
        "b.csv is taken out, and may be sent again: `bayledger bay send b.csv ...`.",
        "Session 1 of stoat-014:",
        "  1: a.csv, counts",
    ]
    bay("send", wrong, "--car", "heron-002", "--parts", "wide-pipe", "--done")
    assert [(post["vehicle"], len(post["setups"][0]["pulls"])) for post in ledger.posts] == [
        ("stoat-014", 1),
        ("heron-002", 1),
    ]


def test_all_pulls_of_a_file_are_taken_out_together_and_a_setup_without_pulls_goes_too(bay, ledger):
    bay("send", bay.file("a.csv", 1), *CAR)
    bay("send", bay.file("b.csv", 2), "--parts", "wide-pipe")
    bay("mark", 2, "--take-out")
    bay("done")
    assert [setup["parts"] for setup in ledger.posts[0]["setups"]] == [[]]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("a.csv",), 2, "a.csv: give one of --reject WHY, --settling, --keep, --take-out"),
        (
            ("a.csv", "--keep", "--settling"),
            2,
            "a.csv: give one of --reject WHY, --settling, --keep, --take-out",
        ),
        (("--keep",), 2, "--keep: which pull? Give its file or its number"),
        (("a.csv", "--reject", " "), 2, "reason = ' ' must be text in quotes"),
        (("a.csv", "--reject", "x" * 501), 2, "has 501 characters; write at most 500"),
        (("b.csv", "--keep"), 1, "b.csv is no pull of the session in work; there are 1 (a.csv)"),
    ],
)
def test_a_mark_that_cannot_be_meant_is_said_and_changes_nothing(bay, words, code, says):
    bay("send", bay.file("a.csv", 1), *CAR)
    ran = bay("mark", *words)
    assert (ran.code, says in ran.err) == (code, True), ran.err
    assert "1: a.csv, counts" in bay("mark").out


def test_a_fact_said_wrongly_is_taken_back_and_nothing_stands_in_for_it(bay, ledger):
    bay.settings(settings_for(ledger.url, "[defaults]\ngear = 5\n[weather]\ntemperature = 19.0\n"))
    bay("send", bay.file("a.csv", 1), *CAR, "--gear", "4", "--temperature", "31", "--humidity", "0.4")
    ran = bay("send", "--forget", "gear", "--forget", "temperature")
    assert (ran.code, ran.out) == (
        0,
        "Taken back, and not recorded until it is said again: gear, temperature.\n",
    )
    bay("send", bay.file("b.csv", 2), "--done")
    session = ledger.posts[0]
    assert "gear" not in session
    assert [pull["ambient"] for pull in session["setups"][0]["pulls"]] == [{"humidity": 0.4}] * 2


def test_air_taken_back_is_left_to_a_weather_file_which_is_an_instrument_and_that_is_said(bay, ledger):
    weather = (
        '[weather]\nfile = "w.csv"\nat_most_min = 1e9\ntime = { column = "Time", format = "%Y-%m-%d %H:%M" }\n'
        'temperature = { column = "Air", unit = "C" }\n'
    )
    bay.settings(settings_for(ledger.url, weather))
    (bay.folder / "w.csv").write_text("Time,Air\n2026-01-01 10:00,18.5\n")
    bay("send", bay.file("a.csv", 1), *CAR, "--gear", "4", "--temperature", "31")
    assert bay("send", "--forget", "gear", "--forget", "temperature").out == (
        "Taken back, and not recorded until it is said again: gear. Taken back, and left to the weather file again: "
        "temperature.\n"
    )
    bay("send", bay.file("b.csv", 2), "--done")
    first, second = ledger.posts[0]["setups"][0]["pulls"]
    assert ("ambient" in first, second["ambient"]) == (False, {"temperature": 18.5})


def test_a_fact_is_taken_back_and_files_are_taken_in_one_command(bay, ledger):
    bay("send", bay.file("a.csv", 1), *CAR, "--tyre-pressure", "230")
    bay("send", bay.file("b.csv", 2), "--forget", "tyre-pressure", "--gear", "4", "--done")
    session = ledger.posts[0]
    assert ("tyre_pressure" in session, session["gear"]) == (False, 4)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("parts", "parts cannot be taken back: no post can be without it; say the right one"),
        ("gera", "there is no 'gera' to take back; there are car, operator, gear"),
        ("coolant", "coolant is said of one pull and never remembered"),
    ],
)
def test_what_cannot_be_taken_back_is_said(bay, name, says):
    bay("send", bay.file("a.csv", 1), *CAR)
    ran = bay("send", "--forget", name)
    assert ran.code == 1
    assert says in ran.err
