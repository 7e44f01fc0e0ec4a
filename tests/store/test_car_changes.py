"""Following what changed: everything that is committed is told exactly once, in whatever order transactions end."""

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.store.car_changes import changes_since, mark_now, note_cars, note_catalogue
from tests.conftest import version_of
from tests.factories import session, setup

WHY = {"reason": "wrong tyre pressure"}


# The log itself


def test_a_change_is_told_once_and_only_after_it_was_committed(lines):
    writer, reader = lines[:2]
    mark = mark_now(reader)
    writer.execute("BEGIN")
    note_cars(writer, [7, 8])
    assert changes_since(reader, mark).vehicle_ids == frozenset()
    writer.execute("COMMIT")
    told = changes_since(reader, mark)
    assert (told.vehicle_ids, told.catalogue, told.mark.count) == ({7, 8}, False, 2)
    again = changes_since(reader, told.mark)
    assert (again.vehicle_ids, again.mark.count) == (frozenset(), 2)


def test_what_began_earlier_and_ends_later_is_not_missed(lines):
    early, late, reader = lines[:3]
    mark = mark_now(reader)
    early.execute("BEGIN")
    note_cars(early, [1])
    note_cars(late, [2])  # a later transaction, over already
    first = changes_since(reader, mark)
    assert first.vehicle_ids == {2}
    early.execute("COMMIT")
    second = changes_since(reader, first.mark)
    assert (second.vehicle_ids, second.mark.count) == ({1}, 2)


def test_a_mark_made_while_a_transaction_is_open_knows_the_later_ones_that_are_over(lines):
    early, late, reader = lines[:3]
    early.execute("BEGIN")
    note_cars(early, [1])
    note_cars(late, [2])
    mark = mark_now(reader)
    assert changes_since(reader, mark).vehicle_ids == frozenset()
    early.execute("COMMIT")
    assert changes_since(reader, mark).vehicle_ids == {1}


def test_what_was_rolled_back_is_never_told(lines):
    writer, reader = lines[:2]
    mark = mark_now(reader)
    writer.execute("BEGIN")
    note_cars(writer, [1])
    writer.execute("ROLLBACK")
    assert changes_since(reader, mark).mark.count == 0


def test_that_the_meaning_of_ids_changed_is_told_apart(lines):
    mark = mark_now(lines[1])
    note_catalogue(lines[0])
    told = changes_since(lines[1], mark)
    assert (told.vehicle_ids, told.catalogue) == (frozenset(), True)


def test_two_who_saw_the_same_have_the_same_count_however_often_they_looked(lines):
    writer, often, once = lines[:3]
    start = followed = mark_now(often)
    for car in range(5):
        note_cars(writer, [car])
        followed = changes_since(often, followed).mark
    assert changes_since(once, start).mark == followed


STEPS = st.lists(
    st.tuples(st.integers(0, 2), st.sampled_from(["write", "commit", "rollback", "look"])), max_size=40
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_in_any_order_of_transactions_what_is_committed_is_told_exactly_once(lines, steps):
    *writers, reader = lines
    mark, told, committed = mark_now(reader), [], set()
    open_notes: dict[int, set[int]] = {0: set(), 1: set(), 2: set()}
    for car, (who, step) in enumerate([*steps, *((who, "commit") for who in range(3)), (0, "look")]):
        if step == "write":
            if not open_notes[who]:
                writers[who].execute("BEGIN")
            note_cars(writers[who], [car])
            open_notes[who].add(car)
        elif step == "look":
            seen = changes_since(reader, mark)
            mark, told = seen.mark, [*told, *seen.vehicle_ids]
        elif open_notes[who]:
            writers[who].execute(step)
            committed |= open_notes[who] if step == "commit" else set()
            open_notes[who] = set()
    assert sorted(told) == sorted(committed)
    assert mark.count == len(committed)


def test_nobody_waits_for_an_open_transaction(lines):
    writer, reader = lines[:2]
    writer.execute("BEGIN")
    note_cars(writer, [1])
    reader.execute("SET statement_timeout = '2s'")
    mark = mark_now(reader)
    note_cars(reader, [1])
    assert changes_since(reader, mark).vehicle_ids == {1}


def test_the_service_may_not_rewrite_what_changed(lines):
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        lines[0].execute("UPDATE car_change SET vehicle_id = 1")


# Who tells


@pytest.fixture
def told(connection):
    """What was told since the last time this was called."""
    marks = [mark_now(connection)]

    def since():
        changes = changes_since(connection, marks[-1])
        marks.append(changes.mark)
        tags = connection.execute(
            "SELECT tag::text FROM vehicle WHERE vehicle_id = ANY(%s)", (list(changes.vehicle_ids),)
        ).fetchall()
        return {tag for (tag,) in tags}, changes.catalogue

    return since


@pytest.fixture
def body(stoats):
    """A kept session of the car stoat-1, its own day's only one."""
    answer = stoats.post("/v1/sessions", session(setup(), setup(["wide-pipe"], 1.05)))
    assert answer.status_code == 201, answer.json
    return answer.json


def of(body, what=""):
    """An address below a session."""
    return f"/v1/sessions/{body['id']}{what}"


def test_a_post_tells_its_car(stoats, told, body):
    assert told() == ({"stoat-1"}, False)
    assert told() == (set(), False)


def test_a_refused_post_tells_nothing(stoats, told):
    assert stoats.post("/v1/sessions", session(setup(["no-such-part"]))).status_code == 422
    assert told() == (set(), False)


@pytest.mark.parametrize("what", ["", "/setups/2", "pull"])
def test_a_strike_and_its_end_tell_the_car(stoats, told, body, what):
    told()
    address = f"/v1/pulls/{body['setups'][0]['pulls'][0]['id']}" if what == "pull" else of(body, what)
    for path, sent in ((f"{address}/strike", WHY), (f"{address}/unstrike", None)):
        assert stoats.post(path, sent).status_code == 200
        assert told() == ({"stoat-1"}, False)


def test_a_confirmed_pull_tells_its_car(stoats, told):
    falling = session({"parts": [], "pulls": [setup(scale=s)["pulls"][0] for s in (1.0, 1.0, 1.2)]})
    body = stoats.post("/v1/sessions", falling).json
    assert body["setups"][0]["doubts"], body
    told()
    pull = body["setups"][0]["pulls"][2]["id"]
    assert stoats.post(f"/v1/pulls/{pull}/confirm", WHY).status_code == 200
    assert told() == ({"stoat-1"}, False)


def test_an_amended_setup_tells_its_car(stoats, told, body):
    told()
    sent = {"parts": ["mesh-pipe"], "reason": "wrong pipe"}
    assert (
        stoats.patch(of(body, "/setups/2"), sent, If_Match=version_of(stoats.get(of(body)))).status_code
        == 200
    )
    assert told() == ({"stoat-1"}, False)


def test_a_session_moved_to_another_car_tells_both(stoats, told, body):
    told()
    sent = {"vehicle": "stoat-2", "reason": "wrong car"}
    assert stoats.patch(of(body), sent, If_Match=version_of(stoats.get(of(body)))).status_code == 200
    assert told() == ({"stoat-1", "stoat-2"}, False)


def test_a_car_added_or_made_the_check_car_is_told_as_that_car(stoats, told):
    assert stoats.post("/v1/vehicles", {"tag": "marten-1", "platform": "stoat"}).status_code == 201
    assert told() == ({"marten-1"}, False)
    etag = version_of(stoats.get("/v1/vehicles/stoat-3"))
    assert stoats.patch("/v1/vehicles/stoat-3", {"check_car": True}, If_Match=etag).status_code == 200
    assert told() == ({"stoat-3"}, False)


@pytest.mark.parametrize(
    ("path", "new", "change"),
    [
        ("/v1/parts", {"slug": "open-filter", "name": "Open filter", "slots": ["air-filter"]}, {"slots": ["intake-pipe"]}),
        ("/v1/bays", {"slug": "south", "name": "South", "kind": "hub"}, {"name": "South hub"}),
        ("/v1/bays/north/events", {"at": "2026-03-05T09:00:00+00:00", "kind": "recalibrated"}, {"kind": "repaired"}),
        (
            "/v1/platforms",
            {"slug": "marten", "name": "Marten 2.0", "aspiration": "natural", "ignition": "spark"},
            {"name": "Marten 2.0 B"},
        ),
    ],
)  # fmt: skip
def test_what_says_what_the_ids_mean_tells_that_the_meaning_changed(stoats, told, path, new, change):
    answer = stoats.post(path, new)
    assert answer.status_code == 201, answer.json
    assert told() == (set(), True)
    at = answer.headers["Location"]
    changed = stoats.patch(at, change, If_Match=version_of(stoats.get(at)))
    assert changed.status_code == 200, changed.json
    assert told() == (set(), True)


def test_an_engine_that_some_factors_go_by_tells_every_car_of_the_platform(stoats, told):
    etag = version_of(stoats.get("/v1/platforms/stoat"))
    assert stoats.patch("/v1/platforms/stoat", {"boost_ratio": 1.8}, If_Match=etag).status_code == 200
    cars, catalogue = told()
    assert (len(cars), catalogue) == (12, True)


def test_an_invoice_line_tells_nothing(stoats, told):
    sent = {"part": "wide-pipe", "fitted_on": "2026-03-02"}
    assert stoats.post("/v1/vehicles/stoat-1/modifications", sent).status_code == 201
    assert told() == (set(), False)
