"""What a first user of the page stumbled over: words typed wrong, forms that were not kept, files that are no pulls."""

import json
import re

import pytest

from tests.bay.answering import Answer, answering, kept, problem
from tests.bay_page.conftest import made, shop
from tests.bay_page.test_leaving import one_pull

REVIEW = {
    "setups": [
        {"n": 1, "label": "stock", "mean": 92.06, "standing": "by SAE J1349", "pulls": 1, "repeat": []}
    ]
}


def asked(path):
    """The shop, with two kinds of car, and a review of every session."""
    if path.partition("?")[0] == "/v1/platforms":
        return Answer(200, {"items": [{"slug": "halvern-stoat-16t"}, {"slug": "tarn-fell-50"}]})
    return Answer(200, REVIEW) if "/review" in path else shop(path)


def bay_of(tmp_path, answer=kept, ask=asked):
    """A page and the ledger behind it, which was asked already."""
    with answering(answer, ask) as ledger:
        bay = made(tmp_path, ledger.url)
        bay.station.ledger.look()
        yield bay, ledger


@pytest.fixture
def shown(tmp_path):
    yield from bay_of(tmp_path)


def test_a_part_that_is_not_among_the_ledgers_is_said_when_it_is_added_with_the_nearest_to_tick(shown):
    bay, _ = shown
    answer = bay.press("/setup/stoat-014", do="add", another="wide-pip")
    assert answer.status_code == 422
    assert (
        "“wide-pip” is not known; nearest: wide-pipe. Choose the right one, or have it added" in answer.text
    )
    assert re.search(r'name="parts" value="wide-pipe">', answer.text)
    assert 'name="another" value="wide-pip"' in answer.text
    again = bay.press("/setup/stoat-014", do="add", another="wide-pip", unknown="wide-pip")
    assert again.status_code == 200
    assert 'name="parts" value="wide-pip" checked' in again.text


def test_with_no_list_of_parts_yet_a_typed_part_is_ticked_without_a_word(alone):
    assert 'value="wide-pip" checked' in alone.press("/setup/stoat-014", do="add", another="wide-pip").text


def test_a_form_that_was_not_kept_says_at_its_head_what_stands_in_the_way_with_the_way_there(alone):
    page = alone.press("/setup/stoat-014", do="keep", gear="40", parts_known="all").text
    head = page[page.index('id="summary"') : page.index("</ul>", page.index('id="summary"'))]
    assert page.index('id="summary"') < page.index("<form")
    assert '<a href="#gear">Gear of the pulls: 40 lies outside 1 to 20' in head
    assert '<a href="#parts_known">' in head
    assert 'id="gear"' in page
    assert '<fieldset class="choice" id="parts_known"' in page


def test_a_file_that_was_not_attached_is_named_at_the_head_with_the_way_there(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    page = alone.attach("a.csv", **{"status:a.csv": "rejected"}).text
    assert '<a href="#at-1">a.csv: rejected, and no reason chosen' in page
    assert '<section class="file" id="at-1">' in page


def test_garbage_is_shown_with_its_bytes_by_number_and_hidden_by_its_content(alone):
    alone.choose()
    garbage = bytes([*range(1, 9), *range(14, 32)]) * 40 + b"\n"
    for name in ("odd.csv", "the same.csv"):
        (alone.computer.export / name).write_bytes(garbage)
    (alone.computer.export / "empty.csv").write_bytes(b"")
    alone.station.look()
    page = alone.get("/files")
    assert not re.search(r"[\x00-\x08\x0b-\x1f]", page)
    assert 'name="hide" value="odd.csv">Not a pull: hide it' in page
    page = alone.press("/files", hide="odd.csv").text
    assert "odd.csv is no pull, and is shown no more. It stays where it lies." in page
    alone.station.offers._kept.clear()
    alone.station.look()
    assert [offer.name for offer in alone.station.offers.all()] == ["empty.csv"]
    assert (alone.computer.export / "odd.csv").read_bytes() == garbage


def test_a_file_with_a_pull_in_it_cannot_be_hidden(alone):
    alone.machine_writes("a.csv")
    alone.press("/files", hide="a.csv")
    alone.station.look()
    assert [offer.name for offer in alone.station.offers.all()] == ["a.csv"]


def test_a_file_that_grew_is_offered_ticked_and_attached_its_pull_is_taken_anew(alone):
    alone.choose()
    alone.machine_writes("w_4.csv")
    file = alone.computer.export / "w_4.csv"
    whole = file.read_text()
    file.write_text(whole[: whole.index("4100;")])
    alone.station.look()
    alone.attach("w_4.csv")
    file.write_text(whole)
    alone.station.look()
    page = alone.get("/files")
    assert 'value="w_4.csv" checked' in page
    assert "It grew after it was taken. Attach it again, and its pull is taken anew." in page
    assert "w_4.csv grew: its pull was taken anew." in alone.attach("w_4.csv").text
    (run,) = alone.station.desk.work().runs
    assert len(run.document["curve"]["rpm"]) == 30


def test_a_file_that_grew_after_its_session_was_closed_is_trouble_and_cannot_be_ticked(alone):
    alone.choose()
    alone.machine_writes("w_4.csv")
    alone.attach("w_4.csv")
    alone.press("/off", session=alone.station.desk.work().id)
    with (alone.computer.export / "w_4.csv").open("a") as file:
        file.write("6500;100,0\n")
    alone.station.look()
    page = alone.get("/files")
    assert re.search(r'value="w_4.csv" disabled', page)
    assert "w_4.csv grew after it went with session 1, which is closed" in page


def test_a_pull_that_is_not_this_cars_is_taken_out_and_its_file_offered_again(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv")
    alone.attach("a.csv", "b.csv")
    session = alone.station.desk.work().id
    assert "Not this car’s: take its file out" in alone.get(f"/pull/{session}/2")
    page = alone.press(f"/pull/{session}/2", do="take-out").text
    assert "b.csv is taken out of this session, and can be attached again." in page
    assert [run.file for run in alone.station.desk.work().runs] == ["a.csv"]
    assert [offer.name for offer in alone.station.offers.all()] == ["b.csv"]


def test_the_last_session_is_shown_in_short_until_the_next_car(shown):
    bay, _ = shown
    bay.press("/off", session=one_pull(bay))
    bay.station.sender.send_all(attempts=1)
    bay.station.hear_review()
    page = bay.get("/")
    assert "stoat-014: kept as session 1" in page
    assert "<li>Setup 1 (stock): 92.06 kW by SAE J1349, 1 pull counted.</li>" in page
    bay.choose("wren-002")
    assert "kept as session" not in bay.get("/")


def test_what_the_ledger_doubts_and_what_it_refuses_is_shown_too(tmp_path):
    def judge(session):
        if session["vehicle"] == "wren-002":
            return problem(422, "no")
        answer = kept(session)
        answer.document["checks"] = [{"level": "doubtful", "message": "wheel slip", "pointer": "/setups/0"}]
        return answer

    for bay, _ in bay_of(tmp_path, judge):
        bay.press("/off", session=one_pull(bay))
        bay.station.sender.send_all(attempts=1)
        bay.station.hear_review()
        assert "<li>wheel slip (/setups/0)</li>" in bay.get("/")
        bay.press("/off", session=one_pull(bay, "wren-002"))
        bay.station.sender.send_all(attempts=1)
        bay.station.hear_review()
        assert "Session 2 was refused" in bay.get("/")


def test_a_part_refused_is_put_right_on_the_page(tmp_path):
    def judge(session):
        if "wide-pip" not in session["setups"][0]["parts"]:
            return kept(session)
        detail = "there is no part 'wide-pip'; the nearest are wide-pipe; or add it first (POST /v1/parts)"
        return problem(422, "no", [{"pointer": "/setups/0/parts/0", "value": "wide-pip", "detail": detail}])

    for bay, _ in bay_of(tmp_path, judge):
        bay.choose("stoat-014", parts=["wide-pip", "cooler"])
        bay.machine_writes("a.csv")
        bay.attach("a.csv")
        bay.press("/off", session=bay.station.desk.work().id)
        bay.station.sender.send_all(attempts=1)
        (entry,) = bay.station.desk.spool.refused()
        page = bay.get("/unsent")
        assert (
            "setup 1: part &#39;wide-pip&#39; is not known; nearest: wide-pipe. Choose the right one" in page
        )
        assert re.findall(r'name="(part:[^"]+)"', page) == ["part:wide-pip"]
        assert "/v1" not in page
        wrong = bay.press(f"/unsent/{entry.id}", do="retry", **{"part:wide-pip": "Wide Pipe!"})
        assert (wrong.status_code, "Part: “wide pipe!” is no part" in wrong.text) == (422, True)
        bay.press(f"/unsent/{entry.id}", do="retry", **{"part:wide-pip": "wide-pipe"})
        assert json.loads(bay.station.desk.spool.body(entry))["setups"][0]["parts"] == ["wide-pipe", "cooler"]


def test_tags_like_a_mistyped_one_are_shown_and_a_new_car_can_be_added(shown):
    bay, _ = shown
    page = bay.get("/car?q=staot-014")
    tags = re.findall(r'href="/setup/([^"]+)"', page)
    assert (tags[0], tags[-1]) == ("stoat-014", "staot-014")
    assert "Not known: “staot-014”. Tags like it are shown too." in page
    assert 'href="/add/staot-014"' in page
    form = bay.get("/add/staot-014")
    assert re.findall(r'<option value="([^"]+)"', form) == ["halvern-stoat-16t", "tarn-fell-50"]
    assert 'href="/setup/stoat-014"' in form


def test_a_car_is_added_with_its_kind_by_the_bays_token(tmp_path):
    def judge(body):
        return Answer(201, body)

    for bay, ledger in bay_of(tmp_path, judge):
        assert "Choose the kind of car" in bay.press("/add/heron-001", kind="").text
        page = bay.press("/add/heron-001", kind="tarn-fell-50").text
        assert ledger.posts == [{"tag": "heron-001", "platform": "tarn-fell-50"}]
        assert ledger.headers[0]["Authorization"] == "Bearer t"
        assert "heron-001 is in the ledger now." in page


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (
            problem(403, "this needs scope admin"),
            "The ledger does not let this bay add cars: have it added by",
        ),
        (
            problem(
                422, "one fault", [{"pointer": "/tag", "detail": "heron-001 is one letter from heron-002"}]
            ),
            "heron-001 is one letter from heron-002",
        ),
    ],
)
def test_a_car_that_the_ledger_does_not_add_is_said_plainly(tmp_path, answer, words):
    for bay, _ in bay_of(tmp_path, lambda _: answer):
        refused = bay.press("/add/heron-001", kind="tarn-fell-50")
        assert refused.status_code == 422
        assert words in refused.text
        assert '<option value="tarn-fell-50" selected>' in refused.text
