"""Who may use the page, and what no page of it does."""

import re
from pathlib import Path

import pytest

from service.bay.page.app import create_app
from service.bay.page.doors import TRIES, Door
from service.bay.page.serving import NotServed, door_for
from tests.bay_page.conftest import ORIGIN

PAGES = ("/", "/car", "/car?q=st", "/setup/stoat-014", "/air", "/files", "/off", "/unsent")
POSTS = (
    "/setup/stoat-014",
    "/air",
    "/files",
    "/off",
    "/send",
    "/unsent/0f3b2c1e-6f0a-4a55-9a55-5a9fca0b7a11",
)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_forbids_inline_script_and_other_machines(alone, path):
    answer = alone.client.get(path)
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'")
    assert "unsafe" not in policy
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=|<script(?![^>]*src=)", answer.text)
    assert not re.search(r"""(src|href|action)=["'](https?:)?//""", answer.text)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_says_that_a_running_dynamometer_can_maim(alone, path):
    assert "A running dynamometer can maim and kill" in alone.get(path)


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize("headers", [{}, {"Origin": "null"}, {"Origin": "http://elsewhere.example"}])
def test_a_form_that_another_page_sent_changes_nothing(alone, path, headers):
    alone.choose()
    before = alone.station.desk.work()
    answer = alone.client.post(path, data={"parts": "wide-pipe"}, headers=headers)
    assert answer.status_code == 403
    assert "nothing was done" in answer.text
    assert alone.station.desk.work() == before


@pytest.mark.parametrize("path", POSTS)
def test_nothing_is_done_by_looking(alone, path):
    assert alone.client.get("/send").status_code == 405
    before = alone.station.desk.work()
    alone.client.get(path)
    assert alone.station.desk.work() == before


@pytest.mark.parametrize("host", ["elsewhere.example", "192.168.7.20", "127.0.0.1.elsewhere.example", "[::"])
def test_a_strange_name_for_this_machine_is_refused(alone, host):
    assert alone.client.get("/", headers={"Host": host}).status_code == 421


def test_with_a_pin_an_address_is_known_and_a_strange_name_is_not(alone):
    door = Door("123456", "bay-pc")
    known = {
        host: door.knows_host(host) for host in ("192.168.7.20:8322", "bay-pc:8322", "elsewhere.example")
    }
    assert known == {"192.168.7.20:8322": True, "bay-pc:8322": True, "elsewhere.example": False}


def test_without_the_pin_no_page_and_no_post_gets_through(alone):
    client = create_app(alone.station, Door("123456", "localhost")).test_client()
    for path in PAGES:
        assert client.get(path).headers["Location"] == "/pin"
    assert client.post("/send", headers=ORIGIN).headers["Location"] == "/pin"
    wrong = client.post("/pin", data={"pin": "654321"}, headers=ORIGIN)
    assert wrong.status_code == 403
    assert "PIN: that is not it" in wrong.text
    assert client.post("/pin", data={"pin": "123456"}, headers=ORIGIN).headers["Location"] == "/"
    assert client.get("/").status_code == 200


def test_after_five_wrong_pins_the_right_one_has_to_wait(alone):
    client = create_app(alone.station, Door("123456", "localhost")).test_client()
    for _ in range(TRIES):
        client.post("/pin", data={"pin": "000000"}, headers=ORIGIN)
    answer = client.post("/pin", data={"pin": "123456"}, headers=ORIGIN)
    assert answer.status_code == 403
    assert "wait 60 seconds" in answer.text


def test_others_are_let_in_only_with_a_pin_that_is_long_enough(tmp_path: Path):
    with pytest.raises(NotServed, match="give --pin-file too"):
        door_for("0.0.0.0", None)
    pin = tmp_path / "pin"
    with pytest.raises(NotServed, match="cannot be read"):
        door_for("0.0.0.0", pin)
    pin.write_text("1234\n")
    with pytest.raises(NotServed, match="has 4 characters; write at least 6"):
        door_for("0.0.0.0", pin)
    pin.write_text("123456\n")
    assert door_for("0.0.0.0", pin).pin == "123456"
    assert door_for("127.0.0.1", None).pin is None


def test_a_page_that_is_not_there_says_so_in_words(alone):
    answer = alone.client.get("/nothing")
    assert answer.status_code == 404
    assert "There is no such page here." in answer.text


def test_a_form_too_large_is_refused_in_words(alone):
    answer = alone.client.post("/air", data={"temperature": "1" * 300_000}, headers=ORIGIN)
    assert answer.status_code == 413
    assert "more than a form of this page holds" in answer.text
