"""Mends at their edges: what is not theirs stays where it is, what names a car goes wherever it stands, periods end when
they say."""

import re

import pytest
from flask import Flask

from service.local import LocalServer
from service.store.db import Connection
from tests.api.conftest import filled
from tests.api.mending import done, posted
from tests.conftest import Client, version_of
from tests.factories import AIR, pull, session, setup
from tests.tokens import new_token

WHY = {"reason": "typed twice"}
PERIOD = {"from": "2026-03-05T00:00:00+00:00", "to": "2026-03-15T00:00:00+00:00"}
CORRECTIONS = "/v1/bays/north/corrections"
VIN = "1M8GDM9AXKP042788"
ERASE = "/v1/vehicles/kestrel-7/erase"
ASKED = {"reason": "the owner asked for it", "confirm": True}


def modified(client: Client, tag: str, **fields: object) -> str:
    """Write down that a pipe was fitted; the address of that."""
    body = {"part": "wide-pipe", "fitted_on": "2026-03-08", **fields}
    made = done(client.post(f"/v1/vehicles/{tag}/modifications", body), 201)
    return f"/v1/vehicles/{tag}/modifications/{made['id']}"


def versions(client: Client, *paths: str) -> list[str]:
    return [version_of(client.get(path)) for path in paths]


# Cars and parts


def test_what_was_fitted_to_the_car_itself_stays_with_it_when_an_alias_is_taken_off(stoats):
    own, moved = modified(stoats, "stoat-10"), modified(stoats, "stoat-11")
    assert done(stoats.post("/v1/vehicles/stoat-11/merge", {"into": "stoat-10", **WHY}))["modifications"] == 1
    assert done(stoats.post("/v1/vehicles/stoat-11/unmerge", WHY))["modifications"] == 1
    assert (stoats.get(own).status_code, stoats.get(moved).status_code) == (200, 200)
    assert stoats.get(own.replace("stoat-10", "stoat-11")).status_code == 404


def test_what_names_the_part_itself_stays_with_it_when_an_alias_is_taken_off(stoats):
    body = {"slug": "wide-pip", "name": "Wide", "slots": ["down-pipe"]}
    done(stoats.post("/v1/parts", body), 201)
    own, moved = modified(stoats, "stoat-10"), modified(stoats, "stoat-11", part="wide-pip")
    assert done(stoats.post("/v1/parts/wide-pip/merge", {"into": "wide-pipe", **WHY}))["modifications"] == 1
    assert done(stoats.post("/v1/parts/wide-pip/unmerge", WHY))["modifications"] == 1
    assert [stoats.get(path).json["part"] for path in (own, moved)] == ["wide-pipe", "wide-pip"]


@pytest.mark.parametrize("kind", ["vehicles", "parts"])
def test_a_merge_and_its_end_make_both_records_new_so_that_nobody_changes_what_he_has_not_seen(stoats, kind):
    alias, own = {"vehicles": ("stoat-11", "stoat-10"), "parts": ("mesh-pipe", "wide-pipe")}[kind]
    paths = (f"/v1/{kind}/{alias}", f"/v1/{kind}/{own}")
    seen = [versions(stoats, *paths)]
    for word, body in (("merge", {"into": own, **WHY}), ("unmerge", WHY)):
        done(stoats.post(f"/v1/{kind}/{alias}/{word}", body))
        seen.append(versions(stoats, *paths))
    for column in zip(*seen, strict=True):
        assert len(set(column)) == 3
    note = {"odometer_km": 5} if kind == "vehicles" else {"name": "Other"}
    assert stoats.patch(paths[1], note, If_Match=seen[0][1]).status_code == 412


def test_a_state_is_the_same_set_of_parts_in_whatever_order_they_were_recorded(stoats, connection):
    body = {"slug": "long-pipe", "name": "Long", "slots": ["down-pipe"]}
    done(stoats.post("/v1/parts", body), 201)  # recorded after the calibration, unlike the pipe it is
    posted(stoats, session(setup(), setup(["road-map", "long-pipe"], 1.2)))
    done(stoats.post("/v1/parts/long-pipe/merge", {"into": "wide-pipe", **WHY}))
    (parts,) = connection.execute(
        "SELECT part_ids FROM setup ORDER BY cardinality(part_ids) DESC LIMIT 1"
    ).fetchone()
    assert len(parts) == 2
    assert parts == sorted(parts)


# A bay's figures of a period


@pytest.mark.parametrize(
    ("began", "clocks", "corrected"),
    [
        ("04T23:30:00", ("04T23:59:59", "05T00:00:00", "05T00:20:00"), [False, True, True]),
        ("14T23:30:00", ("14T23:40:00", "15T00:00:00", "15T00:20:00"), [True, False, False]),
    ],
    ids=["beginning", "end"],
)
def test_each_pull_of_a_session_over_an_end_of_a_period_is_corrected_by_its_own_time(
    stoats, began, clocks, corrected
):
    pulls = [pull(started_at=f"2026-03-{clock}+00:00") for clock in clocks]
    kept = posted(stoats, session({"parts": [], "pulls": pulls}, started_at=f"2026-03-{began}+00:00"))
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, **WHY}), 201)
    mended = stoats.get(f"/v1/sessions/{kept['id']}").json
    assert made["pulls"] == sum(corrected)
    found = [one["bay_correction"] == made["id"] for one in mended["setups"][0]["pulls"]]
    assert found == corrected


def test_a_session_that_began_as_the_period_ended_was_not_touched_and_one_as_it_began_was(stoats):
    before = posted(stoats, session(setup(), started_at=PERIOD["from"]))
    after = posted(stoats, session(setup(), vehicle="stoat-2", started_at=PERIOD["to"]))
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, **WHY}), 201)
    assert made["pulls"] == 3
    actions = [
        [row["action"] for row in stoats.get(f"/v1/history?about=sessions/{one['id']}").json["items"]]
        for one in (before, after)
    ]
    assert ["amended" in one for one in actions] == [True, False]


def test_both_peaks_of_a_record_without_a_curve_are_corrected(stoats):
    peaks = {"power": 101.3, "power_rpm": 5600.0, "torque": 203.7, "torque_rpm": 4100.0}
    one = {"peaks": peaks, "basis": "observed", "ambient": dict(AIR), "best_of": 3}
    kept = posted(stoats, session({"parts": [], "pulls": [one]}, day=7))
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, **WHY}), 201)
    summaries = [
        body["setups"][0]["summary"] for body in (kept, stoats.get(f"/v1/sessions/{kept['id']}").json)
    ]
    for name in ("peak_power", "peak_torque"):
        first, then = (one[name]["mean"] for one in summaries)
        assert then == pytest.approx(1.02 * first, rel=1e-6), name


def test_a_correction_stands_at_its_own_bay_alone(stoats):
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, **WHY}), 201)
    elsewhere = f"/v1/bays/hub/corrections/{made['id']}"
    assert stoats.get(elsewhere).status_code == 404
    assert stoats.post(f"{elsewhere}/undo", WHY).status_code == 404
    assert stoats.get(f"{CORRECTIONS}/{made['id']}").json["undone_at"] is None


def test_corrections_come_page_by_page_each_once_and_say_who_took_one_back(stoats, app, connection):
    kim = Client(app.test_client(), new_token(connection, scope="admin", name="kim"))
    days = [("05", "06"), ("06", "07"), ("07", "08")]
    for first, last in days:
        period = {"from": f"2026-03-{first}T00:00:00+00:00", "to": f"2026-03-{last}T00:00:00+00:00"}
        made = done(stoats.post(CORRECTIONS, {**period, "factor": 1.02, **WHY}), 201)
    done(kim.post(f"{CORRECTIONS}/{made['id']}/undo", {"reason": "wrong day"}))
    found, path = [], f"{CORRECTIONS}?limit=2"
    while path:
        page = stoats.get(path)
        found += done(page)["items"]
        link = re.fullmatch(r'<(.+)>; rel="next"', page.headers.get("Link", ""))
        path = link and link[1]
    assert [one["from"][8:10] for one in found] == [first for first, _ in days]
    assert [(one["made_by"], one["undone_by"]) for one in found] == [("admin", None)] * 2 + [("admin", "kim")]


def test_the_history_says_from_what_a_correction_was_made_and_to_what_it_was_taken_back(stoats):
    kept = posted(stoats, session(setup(), day=7))
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, **WHY}), 201)
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    rows = stoats.get(f"/v1/history?about=sessions/{kept['id']}").json["items"][:2]
    with_it, without = (
        {"bay_correction": made["id"], "bay_factor": 1.02},
        {"bay_correction": None, "bay_factor": None},
    )
    assert [(row["before"], row["after"]) for row in rows] == [(with_it, without), (without, with_it)]


def test_sessions_of_one_period_are_judged_beside_each_other_as_corrected(stoats):
    """Nine cars in three days, every one read 30 % low: none of them is odd beside the others, then or now."""
    kept = [
        posted(stoats, session(setup(scale=0.7), vehicle=f"stoat-{n}", day=6 + n % 3)) for n in range(1, 10)
    ]
    doubts = lambda: [stoats.get(f"/v1/sessions/{one['id']}").json["setups"][0]["doubts"] for one in kept]  # noqa: E731
    assert doubts() == [[]] * 9
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1 / 0.7, **WHY}), 201)
    assert doubts() == [[]] * 9


# A car's identity


def known_by_others(client: Client) -> None:
    """A car that was renamed and was recorded twice, and that is named beside other cars, bays and parts."""
    done(client.post("/v1/vehicles", {"tag": "kestrel-old", "platform": "stoat"}), 201)
    etag = client.get("/v1/vehicles/kestrel-old").headers["ETag"]
    done(client.patch("/v1/vehicles/kestrel-old", {"tag": "kestrel-7"}, If_Match=etag))
    done(client.post("/v1/vehicles", {"tag": "kestrel-two", "platform": "stoat", "vin": VIN}), 201)
    done(client.post("/v1/vehicles/kestrel-two/merge", {"into": "kestrel-7", **WHY}))
    done(client.post("/v1/vehicles", {"tag": "kestrel-70", "platform": "stoat", "confirm": True}), 201)
    own = posted(
        client,
        session(
            {"parts": [], "pulls": [pull(), pull(1.04)]},
            setup(),
            vehicle="kestrel-7",
            day=2,
            operator="first-operator",
        ),
    )
    path = f"/v1/sessions/{own['id']}"
    doubtful, certain = (own["setups"][n]["pulls"][0]["id"] for n in (0, 1))
    done(client.patch(path, {"operator": "second-operator", **WHY}, If_Match=version_of(client.get(path))))
    done(client.post(f"/v1/pulls/{doubtful}/confirm", {"reason": "Mrs Example says so"}))
    done(client.post(f"/v1/pulls/{certain}/strike", {"reason": "Mr Example missed the gear"}))


@pytest.fixture(scope="module")
def stoats_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """The shop of the other tests, with that car."""
    return filled(built_app, server, "mended_at_edges", "stoats", known_by_others)


def everything(connection: Connection) -> str:
    """Every row of every table as text."""
    tables = connection.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'").fetchall()
    rows = (
        connection.execute(f'SELECT t::text FROM "{table}" t').fetchall()
        for (table,) in tables
        if table != "alembic_version"
    )
    return "\n".join(row[0] for found in rows for row in found)


def test_what_people_wrote_of_it_beside_other_records_names_it_no_more(stoats, connection):
    words = "as\nKestrel-7 before"
    done(
        stoats.post(
            "/v1/bays/north/events", {"at": "2026-03-20T08:00:00+00:00", "kind": "repaired", "note": words}
        ),
        201,
    )
    done(
        stoats.post(
            "/v1/parts", {"slug": "odd-part", "name": "Odd", "slots": ["air-filter"], "fitting_notes": words}
        ),
        201,
    )
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.02, "reason": words}), 201)
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", {"reason": words}))
    modified(stoats, "stoat-9", notes=words)
    left = {**pull(), "status": "rejected", "reason": words}
    other = posted(
        stoats, session({"parts": [], "label": words, "pulls": [pull(), left]}, vehicle="stoat-9", day=12)
    )
    done(stoats.post(f"/v1/pulls/{other['setups'][0]['pulls'][0]['id']}/strike", {"reason": words}))
    struck = posted(stoats, session(setup(), vehicle="stoat-8", day=12))
    done(stoats.post(f"/v1/sessions/{struck['id']}/strike", {"reason": words}))
    assert everything(connection).count("Kestrel-7") >= 10
    done(stoats.post(ERASE, ASKED))
    left = [line[:150] for line in everything(connection).splitlines() if "kestrel-7 before" in line.lower()]
    assert left == []


def test_what_people_did_with_its_pulls_is_kept_without_their_words(stoats, connection):
    gone = ("first-operator", "second-operator", "Mrs Example", "Mr Example", "kestrel-two", "kestrel-old")
    before = everything(connection)
    assert [trace for trace in gone if trace not in before] == []
    struck, cleared = (
        "SELECT struck FROM pull WHERE struck IS NOT NULL",
        "SELECT cleared_why FROM finding WHERE cleared_why IS NOT NULL",
    )
    done(stoats.post(ERASE, ASKED))
    after = everything(connection)
    assert [trace for trace in gone if trace in after] == []
    assert {row[0] for query in (struck, cleared) for row in connection.execute(query).fetchall()} == {
        "erased"
    }


def test_a_longer_tag_that_holds_the_erased_one_stays_whole(stoats):
    other = posted(stoats, session(setup(), vehicle="kestrel-70", day=12))
    done(stoats.post(f"/v1/sessions/{other['id']}/strike", {"reason": "not kestrel-70 but old-kestrel-7"}))
    done(stoats.post(ERASE, ASKED))
    kept = stoats.get(f"/v1/sessions/{other['id']}").json
    assert (kept["vehicle"], kept["struck"]) == ("kestrel-70", "not kestrel-70 but old-kestrel-7")


def test_a_former_tag_that_another_car_has_now_is_that_cars(stoats):
    done(stoats.post("/v1/vehicles", {"tag": "kestrel-old", "platform": "stoat"}), 201)
    other = posted(stoats, session(setup(), vehicle="kestrel-old", day=12))
    done(stoats.post(f"/v1/sessions/{other['id']}/strike", {"reason": "kestrel-old was not warm"}))
    done(stoats.post(ERASE, ASKED))
    kept = stoats.get(f"/v1/sessions/{other['id']}").json
    assert (kept["vehicle"], kept["struck"]) == ("kestrel-old", "kestrel-old was not warm")


@pytest.mark.parametrize("tag", ["kestrel-7", "KESTREL-7", "kestrel-two", "kestrel-old"])
def test_the_reason_names_it_by_none_of_its_tags(stoats, tag):
    response = stoats.post(ERASE, {"reason": f"the owner of {tag} asked", "confirm": True})
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, "/reason")


def test_an_alias_goes_with_it_for_good_and_its_vin_may_be_recorded_anew(stoats, connection):
    done(stoats.post(ERASE, ASKED))
    (alias,) = connection.execute("SELECT tag::text FROM vehicle WHERE merged_into IS NOT NULL").fetchone()
    apart = stoats.post(f"/v1/vehicles/{alias}/unmerge", WHY)
    assert apart.status_code == 409
    assert "erased for good" in apart.json["detail"]
    again = stoats.post("/v1/vehicles", {"tag": "kestrel-8", "platform": "stoat", "vin": VIN})
    assert (again.status_code, again.json["vin_known"]) == (201, True)
