"""A car's identity erased on request: nothing names it any more, and no answer moves."""

from typing import Any

import psycopg
import pytest
from flask import Flask

from service.local import LocalServer
from service.store.car_changes import changes_since, mark_now
from service.store.db import Connection
from tests.api.builds import built
from tests.api.conftest import prepared
from tests.api.mending import apart, asked, done, posted
from tests.conftest import Client, version_of
from tests.factories import session, setup

VIN = "1M8GDM9AXKP042788"
ASKED = {"reason": "the owner asked for it", "confirm": True}
ERASE = "/v1/vehicles/kestrel-7/erase"
TAGS = ("kestrel-7", "kestrel-old", "kestrel-two")
"""What the car is called, was called, and was called by mistake."""
WRITTEN = ("for Mrs Example", "Smith's car", "example-operator", "cash in hand")
"""What people wrote about it."""


def known_well(client: Client) -> None:
    """A shop in which one car left its traces everywhere a name can stand."""
    built(client)
    body = {
        "tag": "kestrel-old",
        "platform": "stoat",
        "vin": VIN,
        "odometer_km": 81_234.5,
        "model_year": 2019,
    }
    done(client.post("/v1/vehicles", body, Idempotency_Key="the car"), 201)
    done(client.post("/v1/vehicles", {"tag": "kestrel-two", "platform": "stoat"}), 201)
    etag = client.get("/v1/vehicles/kestrel-old").headers["ETag"]
    done(
        client.patch(
            "/v1/vehicles/kestrel-old", {"tag": "kestrel-7", "odometer_km": 81_300.25}, If_Match=etag
        )
    )
    fitted = {
        "part": "wide-pipe",
        "fitted_on": "2026-03-10",
        "notes": "cash in hand",
        "price_paid": 431.17,
        "currency": "GBP",
    }
    done(client.post("/v1/vehicles/kestrel-7/modifications", fitted), 201)
    states = (setup(label="Smith's car"), setup(["wide-pipe"], 1.06, label="Smith's car with pipe"))
    first = client.post(
        "/v1/sessions",
        session(*states, vehicle="kestrel-7", day=11, operator="example-operator"),
        Idempotency_Key="k1",
    ).json
    posted(
        client,
        session(setup(["mesh-pipe"], 1.03), vehicle="kestrel-two", day=16, operator="example-operator"),
    )
    done(client.post("/v1/vehicles/kestrel-two/merge", {"into": "kestrel-7", "reason": "for Mrs Example"}))
    address = f"/v1/sessions/{first['id']}"
    done(client.patch(f"{address}/setups/1", {"label": "for Mrs Example", "reason": "Smith's car"},
                      If_Match=version_of(client.get(address))))  # fmt: skip
    other = posted(client, session(setup(), vehicle="stoat-10", day=17))
    done(
        client.post(f"/v1/sessions/{other['id']}/setups/1/strike", {"reason": "was kestrel-7 on the rollers"})
    )
    done(client.post(f"/v1/sessions/{other['id']}/unstrike", {"reason": "not kestrel-7 after all"}))
    struck = posted(client, session(setup(), vehicle="kestrel-7", day=18))
    done(client.post(f"/v1/sessions/{struck['id']}/strike", {"reason": "for Mrs Example"}))


@pytest.fixture(scope="session")
def stoats_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """In place of the shop of the other tests, this one, its fit kept."""
    return prepared(built_app, server, "known_well", known_well)


def anonymous(document: Any, tags: dict[str, str]) -> Any:
    """A document with tags replaced; lists of cars in an order that does not hang on their names."""
    if isinstance(document, dict):
        return {name: anonymous(value, tags) for name, value in document.items()}
    if isinstance(document, list):
        made = [anonymous(one, tags) for one in document]
        return sorted(made, key=repr) if made and isinstance(made[0], dict) else made
    return tags.get(document, document) if isinstance(document, str) else document


def tag_now(client: Client) -> str:
    """The invented tag: the only erased car's."""
    cars = client.get("/v1/vehicles?limit=500").json["items"]
    (erased,) = [car for car in cars if "erased_at" in car]
    return erased["tag"]


@pytest.mark.slow
def test_no_answer_moves_when_a_car_is_erased(stoats):
    before = asked(stoats)
    assert done(stoats.post(ERASE, ASKED))["sessions"] == 3
    neutral = tag_now(stoats)
    after = asked(stoats)
    meant = anonymous(before, dict.fromkeys(TAGS, neutral))
    assert list(apart(anonymous(after, {}), meant, 1e-12)) == []
    assert neutral in str(after)  # it is among the cars that the answers list


def everything(connection: Connection) -> str:
    """Every row of every table as text, what is packed or hashed as hexadecimals, kept answers read."""
    tables = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
    rows = [
        row[0]
        for (table,) in tables
        if table != "alembic_version"
        for row in connection.execute(f'SELECT t::text FROM "{table}" t').fetchall()
    ]
    bodies = connection.execute("SELECT convert_from(body, 'UTF8') FROM kept_answer").fetchall()
    return "\n".join([*rows, *(body for (body,) in bodies)])


def test_nothing_in_any_table_names_the_car_any_more(stoats, connection):
    before = everything(connection)
    for trace in (*TAGS, *WRITTEN, "81234.5", "81300.25", "431.17"):
        assert trace in before, trace
    vin_hash = connection.execute("SELECT vin_hash FROM vehicle WHERE tag = 'kestrel-7'").fetchone()[0].hex()
    hashes = connection.execute(
        "SELECT encode(content_hash, 'hex') FROM session JOIN vehicle USING (vehicle_id) WHERE tag = 'kestrel-7'"
    ).fetchall()
    done(stoats.post(ERASE, ASKED))
    after = everything(connection)
    gone = (*TAGS, *WRITTEN, "81234.5", "81300.25", "431.17", vin_hash, *(one for (one,) in hashes))
    assert [trace for trace in gone if trace in after] == []


@pytest.mark.parametrize("tag", TAGS)
def test_the_old_tags_find_nothing(stoats, tag):
    done(stoats.post(ERASE, ASKED))
    assert stoats.get(f"/v1/vehicles/{tag}").status_code == 404
    assert stoats.get(f"/v1/vehicles/{tag}/states").status_code == 404
    assert stoats.get(f"/v1/history?about=vehicles/{tag}").json["items"] == []
    assert stoats.get(f"/v1/sessions?vehicle={tag}").json["items"] == []
    assert stoats.get(f"/v1/search?q={tag}").json["cars"] == []
    assert stoats.post(ERASE.replace("kestrel-7", tag), ASKED).status_code == 404


def test_who_follows_the_changes_is_told_of_the_car(stoats, connection):
    row = connection.execute("SELECT vehicle_id FROM vehicle WHERE tag = 'kestrel-7'").fetchone()
    before = mark_now(connection)
    done(stoats.post(ERASE, ASKED))
    assert changes_since(connection, before).vehicle_ids == {row[0]}


def test_the_invented_tag_is_offered_to_nobody_as_the_nearest(stoats):
    done(stoats.post(ERASE, ASKED))
    tag = tag_now(stoats)
    nobody = stoats.get(f"/v1/vehicles/another-{tag}")
    assert nobody.status_code == 404
    assert nobody.text.count(tag) == nobody.text.count(f"another-{tag}") > 0


def test_the_vin_finds_nothing_and_may_be_recorded_anew(stoats):
    done(stoats.post(ERASE, ASKED))
    again = done(stoats.post("/v1/vehicles", {"tag": "kestrel-7", "platform": "stoat", "vin": VIN}), 201)
    assert again["vin_known"] is True
    assert stoats.get("/v1/vehicles/kestrel-7/states").json["items"] == []


def test_no_answer_that_was_kept_for_a_repeat_brings_the_car_back(stoats):
    done(stoats.post(ERASE, ASKED))
    body = session(setup(), vehicle="kestrel-7", day=11)
    for key in ("the car", "k1"):
        response = stoats.post("/v1/sessions", body, Idempotency_Key=key)
        assert (response.status_code, response.json["errors"][0]["code"]) == (422, "unknown-vehicle")


def test_the_measurements_stay_readable_under_the_invented_tag_with_their_history_but_without_people(stoats):
    before = [one["id"] for one in stoats.get("/v1/sessions?vehicle=kestrel-7").json["items"]]
    done(stoats.post(ERASE, ASKED))
    neutral = tag_now(stoats)
    car = stoats.get(f"/v1/vehicles/{neutral}").json
    assert (car["platform"], car["model_year"], car["odometer_km"], car["vin_known"]) == (
        "stoat",
        2019,
        None,
        False,
    )
    assert car["erased_at"] is not None
    sessions = stoats.get(f"/v1/sessions?vehicle={neutral}").json["items"]
    assert [one["id"] for one in sessions] == before
    assert {one["operator"] for one in sessions} == {None}
    rows = stoats.get(f"/v1/history?about=vehicles/{neutral}").json["items"]
    assert (rows[0]["action"], rows[0]["reason"]) == ("erased", ASKED["reason"])
    changed = [row["after"] for row in rows if row["action"] == "changed"]
    assert changed == [{"tag": None, "odometer_km": None}]
    assert {row["reason"] for row in rows[1:]} == {None}


def test_a_sheet_of_the_erased_car_is_superseded(stoats):
    session_at = stoats.get("/v1/sessions?vehicle=kestrel-7").json["items"][-1]["id"]
    path = f"/v1/sessions/{session_at}/sheet?before=1&after=2"
    version = done(stoats.get(path))["version"]
    done(stoats.post(ERASE, ASKED))
    assert done(stoats.get(path))["version"] == version + 1


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"reason": "asked"}, "/confirm"),
        ({"reason": "asked", "confirm": False}, "/confirm"),
        ({"confirm": True}, "/reason"),
        ({"reason": "owner of Kestrel-7 asked", "confirm": True}, "/reason"),
    ],
    ids=["not confirmed", "denied", "no reason", "names it"],
)
def test_an_erasure_must_be_meant_and_must_not_name_the_car(stoats, body, pointer):
    response = stoats.post(ERASE, body)
    assert response.status_code == 422
    assert [fault["pointer"] for fault in response.json["errors"]] == [pointer]
    assert stoats.get("/v1/vehicles/kestrel-7").status_code == 200


def test_an_alias_and_an_erased_car_are_not_erased_nor_merged(stoats, reader, north):
    alias = stoats.post("/v1/vehicles/kestrel-two/erase", ASKED)
    assert alias.status_code == 409
    assert "kestrel-7" in alias.json["detail"]
    for client in (reader, north):
        assert client.post(ERASE, ASKED).status_code == 403
    done(stoats.post(ERASE, ASKED))
    neutral = tag_now(stoats)
    assert stoats.post(f"/v1/vehicles/{neutral}/erase", ASKED).status_code == 409
    merge = stoats.post(f"/v1/vehicles/{neutral}/merge", {"into": "stoat-1", "reason": "same car"})
    assert merge.status_code == 409
    assert "erased" in merge.json["detail"]


def test_the_answer_says_that_it_cannot_be_undone_and_not_under_which_tag_the_car_stays(stoats):
    response = stoats.post(ERASE, ASKED)
    assert "cannot be undone" in response.json["says"]
    assert tag_now(stoats) not in response.text


def test_the_service_may_forget_in_no_other_way(connection):
    for words in (
        "DELETE FROM history",
        "UPDATE history SET reason = NULL",
        "SELECT set_config('bayledger.erasing', 'on', true); DELETE FROM history",
    ):
        with pytest.raises(psycopg.errors.InsufficientPrivilege), connection.transaction():
            connection.execute(words)
    with (
        pytest.raises(psycopg.errors.RaiseException, match="unknown, merged or erased"),
        connection.transaction(),
    ):
        connection.execute("SELECT erase_vehicle(2147483647, 'erased-0123456789ab')")
