"""GET /v1/search: what somebody types at the counter."""

import pytest
from flask import Flask

from service.local import LocalServer
from tests.api.bodies import added
from tests.api.conftest import filled
from tests.conftest import Client
from tests.factories import pull, session, setup

HERON = {"slug": "heron", "name": "Merrow Heron 3.5", "aspiration": "natural", "ignition": "spark"}


def measure(shop: Client) -> None:
    """The wide pipe on two cars, and a kind of car with nothing measured."""
    added(shop, "/v1/platforms", HERON)
    for car in ("stoat-1", "stoat-2"):
        added(shop, "/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05), vehicle=car))


@pytest.fixture(scope="module")
def stoats_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """A database with that shop, for the tests of this file."""
    return filled(built_app, server, "searched", "stoats", measure)


@pytest.fixture
def measured(stoats: Client) -> Client:
    """The admin's client over it."""
    return stoats


def found(client, typed: str, **more: object) -> dict:
    response = client.client.get("/v1/search", query_string={"q": typed, **more}, headers=client._headers({}))
    assert response.status_code == 200, response.text
    return response.get_json()


def questions(answer: dict, kind: str = "questions") -> list[tuple[str, str]]:
    return [(row["part"], row["platform"]) for row in answer[kind]]


@pytest.mark.parametrize(
    "typed", ["wide", "WIDE pipe", "down-pipe wide", "stoat pipe", "wi stoat", "1.6 pipe", "pip"]
)
def test_every_word_is_found_in_part_or_car_whatever_its_case_and_order(measured, typed):
    assert ("wide-pipe", "stoat") in questions(found(measured, typed))


def test_a_measured_question_carries_what_it_rests_on(measured):
    (row,) = found(measured, "wide")["questions"]
    assert row == {
        "platform": "stoat",
        "platform_name": "Halvern Stoat 1.6 T",
        "part": "wide-pipe",
        "part_name": "Wide down-pipe",
        "against": "without",
        "against_name": None,
        "cars": 2,
        "pairs": 2,
        "last": "2026-03-01",
    }


def test_two_letters_are_found_only_where_a_word_begins(measured):
    assert questions(found(measured, "wi")) == [("wide-pipe", "stoat")]
    assert questions(found(measured, "id")) == []


def test_a_struck_session_is_not_counted(measured):
    row = added(
        measured, "/v1/sessions", session(setup(), setup(["mesh-pipe"], 1.03), vehicle="stoat-3")
    ).json
    assert questions(found(measured, "200-cell")) == [("mesh-pipe", "stoat")]
    assert measured.post(f"/v1/sessions/{row['id']}/strike", {"reason": "wrong car"}).status_code == 200
    answer = found(measured, "200-cell")
    assert (questions(answer), [row["part"] for row in answer["parts"]]) == ([], ["mesh-pipe"])


def test_a_kind_of_car_comes_with_the_stock_cars_measured(measured):
    assert found(measured, "halvern")["platforms"] == [
        {"platform": "stoat", "name": "Halvern Stoat 1.6 T", "stock_cars": 2}
    ]
    assert found(measured, "heron")["platforms"][0]["stock_cars"] == 0


def test_part_and_car_named_together_without_evidence_are_said_to_be_unmeasured(measured):
    answer = found(measured, "heron pipe")
    assert answer["questions"] == []
    assert questions(answer, "unmeasured") == [("mesh-pipe", "heron"), ("wide-pipe", "heron")]
    assert {row["cars"] for row in answer["unmeasured"]} == {0}


def test_what_is_called_so_hides_what_is_only_spelt_so(measured):
    answer = found(measured, "wide")
    assert (answer["near"], len(answer["questions"])) == (False, 1)


@pytest.mark.parametrize("typed", ["widde pipe", "wide pipes", "halverm wide"])
def test_a_misspelt_word_finds_the_nearest_and_says_so(measured, typed):
    answer = found(measured, typed)
    assert (answer["near"], questions(answer)) == (True, [("wide-pipe", "stoat")])


def test_a_car_is_listed_only_from_three_letters_of_its_tag_from_its_start(measured):
    assert [row["tag"] for row in found(measured, "stoat-12")["cars"]] == ["stoat-12"]
    assert [row["tag"] for row in found(measured, "Stoat 12")["cars"]] == ["stoat-12"]
    assert found(measured, "st")["cars"] == []
    assert found(measured, "oat-12")["cars"] == []


def test_other_customers_cars_are_counted_not_listed(measured):
    answer = found(measured, "stoat")  # twelve tags begin so
    assert (answer["cars"], answer["too_many_cars"]) == ([], True)
    answer = found(measured, "stoat-1")  # stoat-1, stoat-10, -11, -12
    assert ([row["tag"] for row in answer["cars"]], answer["too_many_cars"]) == (
        ["stoat-1", "stoat-10", "stoat-11", "stoat-12"],
        False,
    )


def test_cars_are_counted_once_and_the_question_with_most_of_them_comes_first(measured):
    """On stoat-1 each of two days' stock setups stands against each of two with the pipe: four pairs, one on stoat-2."""
    added(measured, "/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-1", day=2))
    added(measured, "/v1/sessions", session(setup(), setup(["mesh-pipe"], 1.03), vehicle="stoat-3"))
    rows = found(measured, "pipe")["questions"]
    assert [(row["part"], row["cars"], row["pairs"]) for row in rows] == [
        ("wide-pipe", 2, 5),
        ("mesh-pipe", 1, 1),
    ]


def test_what_was_measured_on_no_car_is_listed_as_a_part_and_as_a_question_only_beside_a_car(measured):
    answer = found(measured, "pipe")
    assert [row["part"] for row in answer["parts"]] == ["mesh-pipe"]
    assert answer["unmeasured"] == []
    assert questions(found(measured, "pipe stoat"), "unmeasured") == [("mesh-pipe", "stoat")]
    assert found(measured, "pipe stoat", limit=1)["unmeasured"] == [], "what was measured takes the room"


def test_a_part_of_which_every_comparison_is_in_doubt_was_not_measured(measured):
    disagreeing = setup(["mesh-pipe"]) | {"pulls": [pull(1.03), pull(1.03), pull(1.08)]}
    (pair,) = added(measured, "/v1/sessions", session(setup(), disagreeing, vehicle="stoat-3")).json["pairs"]
    assert not pair["usable"]
    assert [row["part"] for row in found(measured, "200-cell")["parts"]] == ["mesh-pipe"]


def test_only_stock_cars_that_count_are_stock_cars(measured):
    added(measured, "/v1/sessions", session(setup(["wide-pipe"]), vehicle="stoat-4"))
    struck = added(measured, "/v1/sessions", session(setup(), vehicle="stoat-5")).json["id"]
    assert measured.post(f"/v1/sessions/{struck}/strike", {"reason": "wrong car"}).status_code == 200
    assert found(measured, "halvern")["platforms"][0]["stock_cars"] == 2


def test_five_cars_are_listed_and_a_sixth_hides_them(measured):
    for tag, listed in (("stoat-13", 5), ("stoat-14", 0)):
        added(measured, "/v1/vehicles", {"tag": tag, "platform": "stoat", "confirm": True})
        answer = found(measured, "stoat-1")
        assert (len(answer["cars"]), answer["too_many_cars"]) == (listed, listed == 0)


def test_at_most_so_many_of_a_kind_are_answered(measured):
    answer = found(measured, "heron pipe", limit=1)
    assert questions(answer, "unmeasured") == [("mesh-pipe", "heron")]


@pytest.mark.parametrize("typed", ["", "   ", "zzzz", "%", "'; drop table part", "\\", "_"])
def test_what_is_called_nothing_finds_nothing(measured, typed):
    answer = found(measured, typed)
    kinds = ("questions", "unmeasured", "platforms", "parts", "cars")
    assert [answer[kind] for kind in kinds] == [[]] * len(kinds)


def test_the_same_finding_is_304(measured):
    etag = measured.get("/v1/search?q=wide").headers["ETag"]
    assert measured.get("/v1/search?q=wide", If_None_Match=etag).status_code == 304
    added(measured, "/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-3"))
    assert measured.get("/v1/search?q=wide", If_None_Match=etag).status_code == 200


@pytest.mark.parametrize(("query", "names"), [("", "q"), ("?q=x&limit=0", "limit"), ("?q=x&page=2", "page")])
def test_a_question_that_cannot_be_asked_names_the_parameter(admin, query, names):
    response = admin.get(f"/v1/search{query}")
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["parameter"] == names


def test_it_needs_the_scope_read(measured, north, nobody, reader):
    assert reader.get("/v1/search?q=wide").status_code == 200
    assert north.get("/v1/search?q=wide").status_code == 403
    assert nobody.get("/v1/search?q=wide").status_code == 401
