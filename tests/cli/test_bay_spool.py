"""`bayledger bay spool` and `status`: what waits, what was refused, what to do; and the unit file."""

import json
import re

import pytest

from tests.bay.answering import Answer, answering, kept, problem
from tests.cli.bays import BayCommand, settings_for
from tests.setup.check import ROOT

CAR = ("--car", "stoat-014", "--parts", "none")
REFUSAL = problem(422, "no part 'x'; nothing was kept")


@pytest.fixture
def bay(run, tmp_path):
    return BayCommand(run, tmp_path / "bay", tmp_path)


@pytest.fixture
def refused(bay):
    """One session of one file, which the ledger refused."""
    with answering(lambda _: REFUSAL) as ledger:
        bay.settings(settings_for(ledger.url))
        assert (
            bay(
                "send", bay.file("a.csv", 1), *CAR, "--started-at", "2026-03-18T10:00:00+00:00", "--done"
            ).code
            == 1
        )
    return bay


CALLER = {"name": "north bay", "scope": "post", "bay": "north", "may_change": True}


def asked(caller=None, bay=None):
    """A ledger that knows the bay and its token, unless said otherwise."""
    answers = {
        "/v1/caller": caller or Answer(200, CALLER),
        "/v1/bays/north": bay or Answer(200, {"slug": "north"}),
    }
    return lambda path: answers.get(path, Answer(200, {"status": "ready"}))


@pytest.fixture
def ledger():
    with answering(kept, asked()) as ledger:
        yield ledger


def test_the_list_says_what_waits_and_what_was_refused_and_why(refused, ledger):
    ran = refused("spool")
    assert ran.code == 0
    assert ran.out.splitlines()[:2] == [
        "0 sessions not yet sent, 1 refused, 0 given up.",
        "Session 1 was refused and lies in the spool: no part 'x'; nothing was kept (422).",
    ]


def test_a_waiting_session_is_listed_by_car_time_and_pulls(refused):
    refused.settings(settings_for("http://127.0.0.1:1"))
    refused("spool", "retry")
    assert refused("spool").out.splitlines() == [
        "1 session not yet sent, 0 refused, 0 given up.",
        "  1: stoat-014, 2026-03-18T10:00:00+00:00, 1 pull",
    ]


def test_once_the_cause_is_mended_retry_sends_it(refused, ledger):
    refused.settings(settings_for(ledger.url))
    ran = refused("spool", "retry", 1)
    assert (ran.code, ran.out) == (0, "Session 1 of stoat-014: kept.\n")
    assert refused("spool").out == "0 sessions not yet sent, 0 refused, 0 given up.\n"


def test_a_tag_that_was_typed_wrong_is_put_right_and_the_rest_goes_out_as_it_was(refused, ledger):
    refused.settings(settings_for(ledger.url))
    before = json.loads(refused("spool", "show", 1).out)
    assert refused("spool", "retry", 1, "--car", "stoat-041").out == "Session 1 of stoat-041: kept.\n"
    (post,) = ledger.posts
    del post["clock"]
    assert post == before | {"vehicle": "stoat-041"}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--car", "stoat-041"), "--car needs the number"),
        ((1, "--car", "Stoat 41"), "must be a short name"),
        (("--part", "wide-pip=wide-pipe"), "--part needs the number"),
        ((1, "--part", "wide-pip"), "--part wide-pip: give the wrong name and the right one"),
        ((1, "--part", "wide-pip=Wide Pipe"), "give the wrong name and the right one"),
    ],
)
def test_a_tag_is_put_right_for_one_session_and_only_by_a_tag(refused, words, says):
    ran = refused("spool", "retry", *words)
    assert ran.code == 2
    assert says in ran.err
    assert "1 refused" in refused("spool").out


@pytest.fixture
def wrong_part(bay):
    """A session of three setups, refused for a part that was typed wrong in two of them."""

    def judge(session):
        faults = [
            {
                "pointer": f"/setups/{n}/parts/{k}",
                "value": part,
                "detail": "there is no part 'wide-downpip'; the nearest are wide-downpipe; or add it first (POST /v1/parts)",
            }
            for n, setup in enumerate(session["setups"])
            for k, part in enumerate(setup["parts"])
            if "wide-downpip" in (part, dict(part).get("part") if isinstance(part, dict) else None)
        ]
        return (
            problem(422, "the session names what the ledger does not know", faults)
            if faults
            else kept(session)
        )

    with answering(judge, asked()) as ledger:
        bay.settings(settings_for(ledger.url))
        for n, parts in enumerate(("wide-downpip,road-map", "none", "wide-downpip:down-pipe")):
            bay("send", bay.file(f"{n}.csv", n), "--car", "stoat-014", "--parts", parts)
        assert bay("done").code == 1
        yield bay, ledger


def test_a_part_typed_wrong_is_put_right_in_every_setup_and_the_rest_goes_out_as_it_was(wrong_part):
    bay, ledger = wrong_part
    before = json.loads(bay("spool", "show", 1).out)
    assert (
        bay("spool", "retry", 1, "--part", "wide-downpip=wide-downpipe").out
        == "Session 1 of stoat-014: kept.\n"
    )
    post = ledger.posts[-1]
    assert [setup["parts"] for setup in post["setups"]] == [
        ["wide-downpipe", "road-map"],
        [],
        [{"part": "wide-downpipe", "slot": "down-pipe"}],
    ]
    for setup, was in zip(post["setups"], before["setups"], strict=True):
        assert setup | {"parts": 0} == was | {"parts": 0}


def test_a_part_refused_is_said_in_a_bays_words_with_the_nearest(wrong_part):
    bay, _ = wrong_part
    lines = bay("spool").out.splitlines()
    assert lines[2:4] == [
        f"  setup {n}: part 'wide-downpip' is not known; nearest: wide-downpipe. Choose the right one, or have it added by "
        "whoever keeps the parts"
        for n in (1, 3)
    ]
    assert "/v1" not in "".join(lines)


def test_a_wrong_name_that_stands_nowhere_in_the_session_is_said_and_nothing_is_sent(wrong_part):
    bay, ledger = wrong_part
    posts = len(ledger.posts)
    ran = bay("spool", "retry", 1, "--part", "wide-downpp=wide-downpipe")
    assert (ran.code, len(ledger.posts)) == (1, posts)
    assert "--part wide-downpp: no such part in these sessions; there: road-map, wide-downpip." in ran.err


def test_a_session_given_up_is_kept_and_its_files_can_go_to_another_car(refused, ledger):
    refused.settings(settings_for(ledger.url))
    ran = refused("spool", "drop", 1)
    assert "Session 1 is given up and kept in" in ran.out
    assert "to be taken again: a.csv" in ran.out
    assert "1 given up" in refused("spool").out
    names = [path.name.partition(".")[2] for path in (refused.folder / "spool" / "dropped").iterdir()]
    assert sorted(names) == ["json", "json.why"]
    assert list((refused.folder / "spool" / "refused").iterdir()) == []
    assert (
        refused("send", refused.files / "a.csv", "--car", "heron-002", "--parts", "none", "--done").code == 0
    )
    assert [post["vehicle"] for post in ledger.posts] == ["heron-002"]


def test_a_number_that_is_not_there_is_said_with_those_that_are(refused):
    ran = refused("spool", "retry", 7)
    assert ran.code == 1
    assert ran.err == "bayledger: the spool holds no such session: 7; there: 1.\n"


@pytest.mark.parametrize("place", ["before", "after", "both"])
def test_the_folder_is_named_before_or_after_the_subcommand_and_the_last_word_counts(
    refused, run, place, tmp_path
):
    folder = ("--bay-dir", refused.folder)
    words = {
        "before": ("spool", *folder, "show", 1),
        "after": ("spool", "show", 1, *folder),
        "both": ("spool", "--bay-dir", tmp_path / "another", "show", 1, *folder),
    }[place]
    ran = run("bay", *words)
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["vehicle"] == "stoat-014"
    assert not (tmp_path / "another").exists()


def test_every_subcommand_of_the_spool_takes_the_ledgers_address_after_it(refused, ledger):
    assert refused("spool", "retry", 1, "--url", ledger.url).out == "Session 1 of stoat-014: kept.\n"


def test_show_prints_a_session_as_it_lies_there(refused):
    assert json.loads(refused("spool", "show", 1).out)["vehicle"] == "stoat-014"


def test_status_says_what_is_in_work_what_waits_and_how_the_ledger_stands(bay, ledger):
    bay.settings(settings_for(ledger.url))
    bay("send", bay.file("a.csv", 1), "--car", "stoat-014", "--parts", "wide-pipe")
    ran = bay("status")
    assert ran.code == 0
    whose, work, *others = ran.out.splitlines()
    assert whose == f"Bay north, folder {bay.folder}."
    assert re.fullmatch(
        r"In work: session 1 of stoat-014, 1 setup, 1 pull; now with wide-pipe; last touched \d+ s ago\. "
        r"`bayledger bay done` closes and sends it\.",
        work,
    )
    assert others == [
        "0 sessions not yet sent.",
        f"The ledger at {ledger.url} is ready.",
        "The clock is within 120 s of the ledger's.",
    ]


def test_status_shows_the_air_that_a_pull_of_this_moment_would_be_given(bay, ledger):
    weather = "[weather]\ntemperature = 21.5\npressure = 99.6\nhumidity = 0.45\n"
    bay.settings(settings_for(ledger.url, weather))
    assert "Weather: temperature 21.5 °C, pressure 99.6 kPa, humidity 0.45." in bay("status").out
    station = (
        '[weather]\nfile = "none.csv"\ntime = { column = "Time", format = "%H:%M" }\n'
        'temperature = { column = "Air", unit = "C" }\n'
    )
    bay.settings(settings_for(ledger.url, station))
    assert f"The weather is not known: {bay.folder / 'none.csv'} cannot be read" in bay("status").out


def test_status_fails_where_the_ledger_does_not_answer_or_a_session_was_refused(refused, ledger):
    refused.settings(settings_for("http://127.0.0.1:1"))
    away = refused("status")
    assert away.code == 1
    assert "No ledger answers at http://127.0.0.1:1" in away.out
    refused.settings(settings_for(ledger.url))
    there = refused("status")
    assert there.code == 1
    assert "1 session refused: see `bayledger bay spool`." in there.out


def test_status_prints_the_proxys_own_sentence_where_the_address_lacks_tls(bay):
    (said,) = re.findall(r"return 403 '(.+)';", (ROOT / "service" / "proxy" / "tls_only.conf").read_text())
    detail = json.loads(said)["detail"]
    assert "https:// only" in detail
    with answering(kept, lambda _: problem(403, detail)) as proxy:
        bay.settings(settings_for(proxy.url))
        ran = bay("status")
    assert ran.code == 1
    assert ran.out.splitlines()[-2:] == [
        f"{proxy.url} answers, but is not ready to take sessions: {detail}. They wait here.",
        "The clock is within 120 s of the ledger's.",
    ]


def test_status_says_no_more_than_that_where_the_answer_has_no_words(bay):
    with answering(kept, lambda _: Answer(502, "<html>Bad gateway</html>")) as proxy:
        bay.settings(settings_for(proxy.url))
        assert "answers, but is not ready to take sessions. They wait here." in bay("status").out


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (
            asked(caller=problem(401, "this token is not known")),
            "the ledger does not know the token: this token is not known (401). Set `token` in bay.toml, from "
            "`bayledger token create --scope post --bay north` on the ledger's computer.",
        ),
        (
            asked(caller=Answer(200, {"name": "counter", "scope": "read", "bay": None})),
            "The ledger lets the token “counter” only read: make one with `bayledger token create --scope post --bay north`",
        ),
        (
            asked(caller=Answer(200, CALLER | {"bay": "south"})),
            "The token “north bay” is of bay south, and this is bay north: put `bay` in ",
        ),
        (
            asked(bay=problem(404, "there is no bay 'north'; the nearest are northern")),
            "The ledger says: there is no bay 'north'; the nearest are northern. Put `bay` in ",
        ),
    ],
)
def test_status_says_what_keeps_the_ledger_from_taking_this_bays_sessions(bay, ask, says):
    with answering(kept, ask) as ledger:
        bay.settings(settings_for(ledger.url))
        ran = bay("status")
    assert ran.code == 1
    assert says in ran.out


def test_status_makes_no_token_of_a_ledger_that_is_away_at_that_moment(bay):
    with answering(kept, asked(caller=problem(503, "the database is away"))) as ledger:
        bay.settings(settings_for(ledger.url))
        ran = bay("status")
    assert "\nthe ledger cannot take it now: the database is away (503).\n" in ran.out
    assert "token create" not in ran.out


def test_a_token_of_the_shops_admin_posts_for_every_bay(bay):
    with answering(
        kept, asked(caller=Answer(200, {"name": "boss", "scope": "admin", "bay": None}))
    ) as ledger:
        bay.settings(settings_for(ledger.url))
        assert bay("status").code == 0


def test_status_fails_where_no_file_can_be_read(bay, ledger):
    bay.settings(settings_for(ledger.url))
    (bay.folder / "mapping.toml").unlink()
    ran = bay("status")
    assert ran.code == 1
    assert (
        f"No file can be read: the mapping {bay.folder / 'mapping.toml'} cannot be read (No such file"
        in ran.out
    )


def test_a_time_that_is_still_to_come_is_refused_with_what_to_do_about_it(bay):
    fault = {
        "pointer": "/setups/0/pulls/1/started_at",
        "value": "2026-03-18T10:03:00+00:00",
        "detail": "2026-03-18T10:03:00+00:00 is after the bay's clock in this post, or a day ahead of the server's; set",
    }
    with answering(lambda _: problem(422, "one fault", [fault])) as ledger:
        bay.settings(settings_for(ledger.url))
        ran = bay("send", bay.file("a.csv", 1), *CAR, "--done")
    line = ran.err.splitlines()[1]
    assert line.startswith(
        "  setup 1, pull 2, started at: 2026-03-18T10:03:00+00:00: the machine's clock is ahead of this computer's"
    )
    assert "Send the session again after that time; and say in bay.toml" in line
    assert "`bayledger bay spool retry 1`" in ran.err


def test_the_unit_file_names_the_program_and_the_folder_and_starts_it_again(bay, tmp_path):
    (tmp_path / "export").mkdir()
    bay.settings(settings_for("http://127.0.0.1:1", f"watch = '{tmp_path / 'export'}'\n"))
    ran = bay("unit", "--user", "bay")
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert "User=bay" in lines
    assert "Restart=always" in lines
    assert f'ReadWritePaths="{bay.folder}"' in lines
    (start,) = (line for line in lines if line.startswith("ExecStart="))
    assert start.endswith(f'bay watch --bay-dir "{bay.folder}"')
    assert not re.search("@[A-Z]+@", ran.out)


def test_a_bay_with_a_tablet_runs_the_page_instead(bay, tmp_path):
    (tmp_path / "export").mkdir()
    bay.settings(settings_for("http://127.0.0.1:1", f"watch = '{tmp_path / 'export'}'\n"))
    (start,) = (line for line in bay("unit", "--page").out.splitlines() if line.startswith("ExecStart="))
    assert start.endswith(f'bay page --bay-dir "{bay.folder}"')


def test_the_unit_file_needs_a_folder_to_watch(bay):
    bay.settings(settings_for("http://127.0.0.1:1"))
    ran = bay("unit")
    assert ran.code == 2
    assert "set `watch` in bay.toml" in ran.err
