"""`bayledger bay send` and `done`: files in, one session out, in a person's words."""

import io
import json
import os

import pytest

from tests.bay.answering import Answer, answering, kept, problem
from tests.cli.bays import bay as bay
from tests.cli.bays import ledger as ledger
from tests.cli.bays import settings_for

CAR = ("--car", "stoat-014", "--parts", "none")


def test_files_of_one_car_are_one_session_that_goes_out_when_it_is_done(bay, ledger):
    first, second = bay.file("a.csv", 1), bay.file("b.csv", 2)
    sent = bay("send", first, second, *CAR, "--stock-checked", "verified")
    assert sent.code == 0
    assert sent.out.splitlines() == [
        "a.csv: 1 pull into session 1 of stoat-014, setup 1 (nothing fitted).",
        "b.csv: 1 pull into session 1 of stoat-014, setup 1 (nothing fitted).",
    ]
    assert ledger.posts == []
    done = bay("done")
    assert (done.code, done.out) == (0, "Session 1 of stoat-014: kept.\n")
    (session,) = ledger.posts
    (setup,) = session["setups"]
    assert (session["bay"], session["sequence"], setup["stock_checked"]) == ("north", 1, "verified")
    assert [len(pull["curve"]["rpm"]) for pull in setup["pulls"]] == [30, 30]


def test_done_at_once_closes_and_sends_in_one_command(bay, ledger):
    assert bay("send", bay.file("a.csv", 1), *CAR, "--done").out.endswith("Session 1 of stoat-014: kept.\n")
    assert len(ledger.posts) == 1


def test_a_session_that_was_kept_is_reviewed_in_short_while_the_car_still_stands_there(bay):
    """The fields are those of GET /v1/sessions/ID/review."""
    stock = {
        "n": 1,
        "label": "stock",
        "parts": [],
        "mean": 92.063,
        "standing": "by SAE J1349",
        "pulls": 3,
        "repeat": [],
    }
    pipe = {"n": 2, "label": None, "parts": ["wide-pipe"], "mean": None, "standing": "", "pulls": 1}
    review = {"setups": [stock, pipe | {"repeat": [{"pull": 2, "why": "coolant rose by 9 °C"}]}]}

    def answer(session):
        kept_by = kept(session)
        kept_by.document["checks"] = [{"level": "doubtful", "message": "wheel slip", "pointer": "/setups/0"}]
        return kept_by

    asked = []

    def ask(path):
        asked.append(path)
        return Answer(200, review) if "/review" in path else Answer(200, {})

    with answering(answer, ask) as ledger:
        bay.settings(settings_for(ledger.url))
        bay("send", bay.file("a.csv", 1), *CAR)
        done = bay("done")
    assert done.out.splitlines() == [
        "Session 1 of stoat-014: kept.",
        "  doubtful: wheel slip (/setups/0)",
        "  Setup 1 (stock): 92.06 kW by SAE J1349, 3 pulls counted.",
        "  Setup 2 (wide-pipe): power not known, 1 pull counted.",
        "  Setup 2 (wide-pipe): pull 2 may be repeated: coolant rose by 9 °C.",
    ]
    assert asked[-1] == f"/v1/sessions/{ledger.posts[0]['id']}/review?units=si"


def test_a_review_that_wants_one_more_pull_names_no_pull(bay):
    """`repeat.pull` is null where one more pull is wanted, and `why` says so (GET /v1/sessions/ID/review)."""
    repeat = [{"pull": None, "why": "one more pull shows whether it repeats"}]
    stock = {
        "n": 1,
        "label": "stock",
        "mean": 92.063,
        "standing": "by SAE J1349",
        "pulls": 1,
        "repeat": repeat,
    }
    with answering(kept, lambda _: Answer(200, {"setups": [stock]})) as ledger:
        bay.settings(settings_for(ledger.url))
        bay("send", bay.file("a.csv", 1), *CAR)
        done = bay("done")
    assert done.out.splitlines()[1:] == [
        "  Setup 1 (stock): 92.06 kW by SAE J1349, 1 pull counted.",
        "  Setup 1 (stock): one more pull shows whether it repeats.",
    ]


def test_files_are_taken_in_the_order_in_which_they_were_written(bay, ledger):
    newer, older = bay.file("a.csv", 1), bay.file("b.csv", 2, sidecar='parts = ["wide-pipe"]\n')
    os.utime(older, (1_700_000_000, 1_700_000_000))
    os.utime(newer, (1_700_000_600, 1_700_000_600))
    bay("send", newer, older, *CAR, "--done")
    assert [setup["parts"] for setup in ledger.posts[0]["setups"]] == [["wide-pipe"], []]


def test_a_sidecar_counts_before_flags_and_flags_before_what_was_said_before(bay, ledger):
    bay("send", bay.file("a.csv", 1), *CAR, "--temperature", "20", "--humidity", "0.4")
    sidecar = 'parts = ["wide-pipe", "road-map:calibration"]\ntemperature = 23.5\ncoolant = 90.0\n'
    bay("send", bay.file("b.csv", 2, sidecar), "--temperature", "22", "--coolant", "88", "--done")
    first, second = ledger.posts[0]["setups"]
    assert first["pulls"][0]["ambient"] == {"temperature": 20.0, "humidity": 0.4}
    assert second["parts"] == ["wide-pipe", {"part": "road-map", "slot": "calibration"}]
    assert second["pulls"][0]["ambient"] == {"temperature": 23.5, "humidity": 0.4}
    assert second["pulls"][0]["engine"] == {"coolant": 90.0}


def test_quantities_are_typed_in_the_bays_units(bay, ledger):
    """77 degF is 25 degC; 29.53 inHg of 3.386388640341 kPa is 100.00 kPa."""
    bay.settings(settings_for(ledger.url).replace('units = "si"', 'units = "us"'))
    bay("send", bay.file("a.csv", 1), *CAR, "--temperature", "77", "--pressure", "29.53", "--done")
    air = ledger.posts[0]["setups"][0]["pulls"][0]["ambient"]
    assert air["temperature"] == pytest.approx(25.0)
    assert air["pressure"] == pytest.approx(29.53 * 3.386388640341)


def test_what_no_post_can_be_without_is_asked_for_by_flag_and_nothing_is_taken(bay, ledger):
    ran = bay("send", bay.file("a.csv", 1))
    assert ran.code == 2
    assert "a.csv: not known, and nothing was taken: --car, --parts (or in a sidecar, a.csv.toml)" in ran.err
    assert "No session is in work." in bay("done").out
    assert ledger.posts == []


def test_flags_for_the_files_to_come_that_leave_the_car_open_are_wrong_use(bay):
    ran = bay("send", "--temperature", "21")
    assert ran.code == 2
    assert "the next pull: not known, and nothing was taken: --car, --parts Try" in ran.err


def test_a_person_at_a_terminal_is_asked_and_asked_again(bay, ledger, monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Terminal("Stoat 14\nstoat-014\nwide-pipe, road-map\n"))
    ran = bay("send", bay.file("a.csv", 1), "--done")
    assert ran.code == 0, ran.err
    assert "car = 'Stoat 14' must be a short name" in ran.err
    assert ledger.posts[0]["vehicle"] == "stoat-014"
    assert ledger.posts[0]["setups"][0]["parts"] == ["wide-pipe", "road-map"]


def test_another_car_closes_and_sends_the_session_of_the_first(bay, ledger):
    bay("send", bay.file("a.csv", 1), *CAR)
    ran = bay("send", bay.file("b.csv", 2), "--car", "heron-002", "--parts", "wide-pipe")
    assert ran.out.splitlines() == [
        "Session 1 is closed: car is heron-002, not stoat-014.",
        "b.csv: 1 pull into session 2 of heron-002, setup 1 (wide-pipe).",
        "Session 1 of stoat-014: kept.",
    ]
    assert [post["vehicle"] for post in ledger.posts] == ["stoat-014"]


def test_a_file_sent_twice_is_taken_once(bay, ledger):
    file = bay.file("a.csv", 1)
    bay("send", file, *CAR)
    assert bay("send", file).out == "a.csv was taken before; it is left out.\n"
    bay("done")
    assert len(ledger.posts[0]["setups"][0]["pulls"]) == 1


def test_lines_of_a_file_that_are_left_out_are_said_beside_what_was_taken(bay):
    file = bay.file("a.csv", 1)
    first, *rows = file.read_text().splitlines()
    file.write_text("\n".join([first, *rows[:10], *["no figures"] * 5, *rows[10:], ""]))
    ran = bay("send", file, *CAR)
    assert ran.out == "a.csv: 1 pull into session 1 of stoat-014, setup 1 (nothing fitted).\n"
    assert [line.partition(":")[0] for line in ran.err.splitlines()] == [
        *["  left out"] * 3,
        "  and 2 more lines left out",
    ]


def test_a_ledger_that_is_away_loses_nothing_and_is_no_failure_of_the_command(bay, ledger, monkeypatch):
    monkeypatch.setattr("service.cli.bay.done.ATTEMPTS", 1)
    bay("send", bay.file("a.csv", 1), *CAR)
    bay.settings(settings_for("http://127.0.0.1:1"))
    ran = bay("done")
    assert ran.code == 0
    assert ran.out == ""
    assert "1 session not yet sent: the line to http://127.0.0.1:1 broke" in ran.err
    bay.settings(settings_for(ledger.url))
    assert bay("send").out == "Session 1 of stoat-014: kept.\n"


def test_a_refusal_is_said_with_every_fault_and_the_way_out(bay, ledger):
    faults = [
        {
            "pointer": "/vehicle",
            "value": "stoat-041",
            "detail": "no vehicle 'stoat-041'; nearest: 'stoat-014'",
        }
    ]
    with answering(lambda _: problem(422, "one fault in this session; nothing was kept", faults)) as refusing:
        bay.settings(settings_for(refusing.url))
        ran = bay("send", bay.file("a.csv", 1), "--car", "stoat-041", "--parts", "none", "--done")
    assert ran.code == 1
    assert ran.err.splitlines() == [
        "Session 1 was refused and lies in the spool: one fault in this session; nothing was kept (422).",
        "  car (\"stoat-041\"): no vehicle 'stoat-041'; nearest: 'stoat-014'",
        "  Mend the cause, then `bayledger bay spool retry 1`, with `--car TAG` where the tag was wrong, `--part "
        "WRONG=RIGHT` where a part was; or `bayledger bay spool drop 1`, and send its files again with what is right.",
    ]


def test_a_tag_or_part_that_the_ledger_does_not_know_is_said_at_once_and_the_file_is_taken(bay):
    def ask(path):
        known = path in ("/v1/parts/wide-pipe", "/v1/ready")
        return (
            Answer(200, {})
            if known
            else problem(404, f"there is no {path.rpartition('/')[2]}; nearest: stoat-014")
        )

    with answering(kept, ask) as ledger:
        bay.settings(settings_for(ledger.url))
        ran = bay("send", bay.file("a.csv", 1), "--car", "stoat-041", "--parts", "wide-pipe,mesh-pip")
    assert ran.code == 0
    assert [line for line in ran.err.splitlines() if line.startswith("Careful")] == [
        f"Careful: there is no {name}; nearest: stoat-014. Taken all the same; unless the ledger knows it by then, the "
        "session will be refused."
        for name in ("stoat-041", "mesh-pip")
    ]
    assert "1 pull into session 1 of stoat-041" in ran.out


def test_an_unknown_part_of_any_setup_is_said_when_it_is_said(bay):
    """Also one that stands in a sidecar only, or was said without a file."""

    def ask(path):
        return Answer(200, {}) if path != "/v1/parts/wide-downpip" else problem(404, "there is no such part")

    with answering(kept, ask) as ledger:
        bay.settings(settings_for(ledger.url))
        alone = bay("send", "--car", "stoat-014", "--parts", "wide-downpip")
        beside = bay(
            "send", bay.file("a.csv", 1, 'parts = ["wide-downpip"]\n'), bay.file("b.csv", 2, "parts = []\n")
        )
    assert alone.err.count("Careful: there is no such part. Taken all the same") == 1
    assert beside.err.count("Careful: there is no such part. Taken all the same") == 1


def test_every_bad_flag_is_named_with_its_value_at_once(bay):
    ran = bay(
        "send", bay.file("a.csv", 1), *CAR, "--gear", "fourth", "--status", "good", "--pressure", "29,92"
    )
    assert ran.code == 2
    for words in (
        "flags: gear = 'fourth' must be a number",
        "flags: status = 'good' must be one of accepted, settling, rejected",
        "flags: pressure = '29,92' must be a number, with a decimal point",
    ):
        assert words in ran.err


def test_a_sidecar_with_a_mistake_is_named_and_its_file_waits(bay, ledger):
    ran = bay(
        "send", bay.file("a.csv", 1, sidecar='car = "stoat-014"\ntemprature = 20.0\n'), "--parts", "none"
    )
    assert ran.code == 1
    assert "a.csv.toml: there is no key 'temprature'; there are car, operator" in ran.err
    assert "a.csv waits until it is mended" in ran.err


def test_a_file_that_is_no_table_is_said_by_name(bay):
    odd = bay.files / "odd.csv"
    odd.write_text("nothing\nhere\n")
    ran = bay("send", odd, *CAR)
    assert ran.code == 1
    assert ran.err.startswith("bayledger: odd.csv: ")


def test_a_file_that_could_not_be_read_is_tried_again_each_time_it_is_sent(bay):
    mapping = bay.folder / "mapping.toml"
    right = mapping.read_text()
    mapping.write_text(right.replace("Torque (Nm)", "Torque (N.m)"))
    file = bay.file("a.csv", 1)
    assert bay("send", file, *CAR).code == 1
    mapping.write_text(right)
    assert "a.csv: 1 pull into session 1" in bay("send", file, *CAR).out


def test_without_a_mapping_the_way_to_one_is_said(bay, ledger):
    bay.settings(settings_for(ledger.url).replace('mapping = "mapping.toml"', ""))
    ran = bay("send", bay.file("a.csv", 1), *CAR)
    assert ran.code == 1
    assert "`bayledger bay learn FILE --out mapping.toml`" in ran.err


def test_flags_without_files_hold_for_the_files_to_come(bay, ledger):
    assert bay("send", *CAR, "--operator", "JT").out == "Kept for the files to come.\n"
    bay("send", bay.file("a.csv", 1), "--done")
    assert (ledger.posts[0]["vehicle"], ledger.posts[0]["operator"]) == ("stoat-014", "JT")


def test_fixed_weather_and_defaults_of_the_bay_count_last(bay, ledger):
    more = '[defaults]\noperator = "JT"\n[weather]\ntemperature = 19.0\npressure = 99.8\nhumidity = 0.5\n'
    bay.settings(settings_for(ledger.url, more))
    bay("send", bay.file("a.csv", 1), *CAR, "--temperature", "24", "--operator", "KB", "--done")
    session = ledger.posts[0]
    assert session["operator"] == "KB"
    assert session["setups"][0]["pulls"][0]["ambient"] == {
        "temperature": 24.0,
        "pressure": 99.8,
        "humidity": 0.5,
    }


def test_a_computer_that_is_no_bay_yet_is_shown_what_to_write(run, tmp_path):
    ran = run("bay", "done", "--bay-dir", tmp_path / "none")
    assert ran.code == 2
    assert f"write {tmp_path / 'none' / 'bay.toml'}, such as" in ran.err
    assert 'units = "si"' in ran.err


def test_every_fault_of_the_settings_is_named_at_once(bay):
    bay.settings(
        'url = "ledger"\nbay = "North Bay"\nunits = "metric"\ntokn = "t"\n[defaults]\ngear = "top"\n'
    )
    ran = bay("done")
    assert ran.code == 2
    for words in (
        "there is no setting 'tokn'",
        "url = 'ledger' is no address",
        "bay = 'North Bay' must be a slug",
        "units = 'metric' must be one of si, us, ps",
    ):
        assert words in ran.err


def test_the_session_in_work_is_the_same_after_each_command(bay, ledger):
    """Two programs may take turns: what one took the next finds, whole."""
    for n in range(4):
        bay("send", bay.file(f"{n}.csv", n), *(CAR if n == 0 else ()))
        work = json.loads((bay.folder / "work" / "session.json").read_bytes())
        assert sum(len(state["runs"]) for state in work["states"]) == n + 1
