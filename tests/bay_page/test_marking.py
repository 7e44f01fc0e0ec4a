"""A pull that was taken, marked afterwards with one press."""

import re

from service.bay.page.attaching import REASONS


def marks(bay):
    return [(r.document.get("status"), r.document.get("reason")) for r in bay.station.desk.work().runs]


def taken(bay, *names):
    """Pulls of the car on the rollers; answers the address at which one is marked."""
    bay.choose()
    bay.machine_writes(*names)
    bay.attach(*names)
    return f"/pull/{bay.station.desk.work().id}"


def test_each_pull_leads_to_its_mark_and_each_usual_reason_is_a_button(alone):
    at = taken(alone, "a.csv", "b.csv")
    assert re.findall(r'href="(/pull/[^"]+)"', alone.get("/")) == [f"{at}/1", f"{at}/2"]
    page = alone.get(f"{at}/2")
    assert "Pull 2: b.csv" in page
    assert re.findall(r'<button class="quiet" name="reason" value="([^"]+)"', page) == list(REASONS)


def test_one_press_on_a_reason_rejects_the_pull_and_nothing_is_typed(alone):
    at = taken(alone, "a.csv", "b.csv")
    page = alone.press(f"{at}/2", reason="Wheel slip").text
    assert marks(alone) == [(None, None), ("rejected", "Wheel slip")]
    assert "Pull 2: rejected: Wheel slip." in page
    assert "2: b.csv, rejected: Wheel slip" in page


def test_a_press_takes_the_mark_back_or_makes_it_a_settling_pull(alone):
    at = taken(alone, "a.csv")
    alone.press(f"{at}/1", reason="Misfire")
    alone.press(f"{at}/1", status="settling")
    assert marks(alone) == [("settling", None)]
    assert "1: a.csv, counts" in alone.press(f"{at}/1", status="accepted").text
    assert marks(alone) == [(None, None)]


def test_a_reason_of_ones_own_is_typed_and_an_empty_one_is_no_reason(alone):
    at = taken(alone, "a.csv")
    empty = alone.press(f"{at}/1", words=" ")
    assert (empty.status_code, "Rejected, and no reason: press one, or write it" in empty.text) == (422, True)
    long = alone.press(f"{at}/1", words="x" * 501)
    assert (long.status_code, "501 characters; write at most 500" in long.text) == (422, True)
    assert marks(alone) == [(None, None)]
    alone.press(f"{at}/1", words="strap came loose")
    assert marks(alone) == [("rejected", "strap came loose")]


def test_a_mark_that_is_none_is_refused_in_words(alone):
    at = taken(alone, "a.csv")
    answer = alone.press(f"{at}/1", status="perfect")
    assert (answer.status_code, "“perfect” must be one of accepted, settling" in answer.text) == (422, True)
    assert marks(alone) == [(None, None)]


def test_a_page_that_shows_another_session_marks_nothing(alone):
    at = taken(alone, "a.csv")
    alone.choose("wren-002")
    alone.machine_writes("b.csv")
    alone.attach("b.csv")
    assert (
        "That pull is not of the session in work any more." in alone.press(f"{at}/1", reason="Misfire").text
    )
    assert marks(alone) == [(None, None)]
    assert (
        "That pull is not of the session in work any more."
        in alone.client.get(f"{at}/1", follow_redirects=True).text
    )
