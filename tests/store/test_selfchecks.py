"""The self-checks: quiet over a sound ledger, and each speaks, alone, of the damage that it is there for.

The damage is done as a broken disk, a bad restore or a hand in the database would do it: with the constraints asleep.
"""

from collections.abc import Iterator
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from service.local import LocalServer
from service.store import selfchecks, tokens
from service.store.backups import PROVED, note_proved
from service.store.db import Connection
from service.store.invariants import FOREIGN_KEYS, IDENTITIES, Invariant, backup_late
from service.store.samples import COMPARED, Sampled, pairs_made_anew, samples_read_back
from service.store.selfchecks import INVARIANTS, is_owner, looked_at, selfcheck
from service.store.watched import watched
from service.worker.refit import refit
from tests.conftest import Client, client_over, new_database
from tests.factories import AIR, pull, session, setup
from tests.tokens import admin_token

WHY = {"reason": "a test"}
LIMIT_S = 30.0
ALL_CARS = 100
CORRECTED = {"from": "2026-03-20T00:00:00+00:00", "to": "2026-03-25T00:00:00+00:00", "factor": 1.02, **WHY}


def done(answer):
    """The body of an answer, which must be a good one."""
    assert answer.status_code < 300, answer.json
    return answer.json


def lived_in(client: Client) -> None:
    """Sessions of every kind: comparisons, there and back, peaks alone, doubted, struck, corrected; a car and a part merged
    into others."""
    pipe, chart = ["wide-pipe"], ["road-map"]
    there_and_back = session(setup(), setup(pipe, 1.04), setup(), vehicle="stoat-1", day=1)
    peaks = {
        "peaks": {"power": 120.0, "torque": 250.0},
        "basis": "observed",
        "ambient": dict(AIR),
        "best_of": 3,
    }
    posts = [
        there_and_back,
        session(setup(), setup(chart, 1.1), setup([*pipe, *chart], 1.15), vehicle="stoat-2", day=2),
        session(setup(), vehicle="stoat-3", day=3),
        session({"parts": [], "pulls": [peaks]}, vehicle="stoat-4", day=4),
        session(setup(pulls=2), setup(pipe, 1.05), vehicle="stoat-5", day=22),
        session(setup(["mesh-pipe"], 1.02), vehicle="stoat-6", day=6),
        session(setup(), vehicle="stoat-7", day=7, bay="hub"),
        session({**setup(), "pulls": [*(pull() for _ in range(3)), pull(1.4)]}, vehicle="stoat-8", day=8),
        session(setup(), vehicle="stoat-9", day=9),
        session(setup(), vehicle="stoat-10", day=10),
    ]
    kept = [done(client.post("/v1/sessions", body)) for body in posts]
    done(client.post("/v1/bays/north/corrections", CORRECTED))
    done(client.post("/v1/vehicles/stoat-10/merge", {"into": "stoat-9", **WHY}))
    done(client.post("/v1/parts/mesh-pipe/merge", {"into": "wide-pipe", **WHY}))
    last = kept[0]["setups"][1]["pulls"][-1]["id"]
    done(client.post(f"/v1/pulls/{last}/strike", WHY))
    done(client.post(f"/v1/sessions/{kept[6]['id']}/setups/1/strike", WHY))


@pytest.fixture(scope="module")
def lived_url(server: LocalServer, stoats_template: str) -> str:
    """A database in which a shop has lived for a while; its address as a superuser."""
    owner_url, url = new_database(server, "selfchecks", stoats_template)
    with client_over(url, admin_token(owner_url)) as client:
        lived_in(client)
    with psycopg.connect(url, autocommit=True) as line:
        refit(line)
    return server.superuser_url.replace("/bayledger?", "/selfchecks?")


@pytest.fixture(scope="module")
def hand(lived_url: str) -> Iterator[Connection]:
    """A connection that may do anything."""
    with psycopg.connect(lived_url, autocommit=True) as line:
        yield line


def speaking(conn: Connection) -> dict[str, list[str]]:
    """The self-checks that do not hold, with where."""
    return {one.name: one.places for one in selfcheck(conn, LIMIT_S, ALL_CARS) if not one.holds}


LONE = "(SELECT max(setup_id) FROM setup JOIN session USING (session_id) JOIN vehicle USING (vehicle_id) WHERE tag = 'stoat-3')"
PEAKS = LONE.replace("stoat-3", "stoat-4")
DOUBTED = LONE.replace("stoat-3", "stoat-8")
STRUCK = LONE.replace("stoat-3", "stoat-7")
A_PAIR = "(setup_with, setup_without) = (SELECT setup_with, setup_without FROM pair ORDER BY 1, 2 LIMIT 1)"
OLD_FIT = "UPDATE model_fit SET as_of = now() - interval '3 days'"

DAMAGE = [
    (
        "orphan",
        "INSERT INTO pull_raw SELECT 999999, enc, channels, steps, samples, raw FROM pull_raw LIMIT 1",
    ),
    ("orphan", "INSERT INTO setup_curve SELECT 999999, first, torque_nm FROM setup_curve LIMIT 1"),
    ("orphan", "UPDATE token SET scope = 'post', bay_id = 999999 WHERE token_id = (SELECT max(token_id) FROM token)"),
    ("reference-lost", "INSERT INTO car_change (vehicle_id) VALUES (999999)"),
    ("reference-lost", "INSERT INTO evidence_version VALUES ((SELECT min(platform_id) FROM platform), 999999, 1)"),
    (
        "reference-lost",
        "INSERT INTO finding (session_id, setup_n, code, level, message, pointer) "
        "SELECT min(session_id), 99, 'made-up', 'note', '', '' FROM session",
    ),
    (
        "empty",
        "INSERT INTO session (id, vehicle_id, bay_id, started_at, content_hash, posted_by) "
        "SELECT '5b8a1e7e-3c52-5d0a-9f5e-7c1f5a0e8321', vehicle_id, bay_id, now(), '', '' FROM session LIMIT 1; "
        "INSERT INTO history (who, about, action) VALUES ('', 'sessions/5b8a1e7e-3c52-5d0a-9f5e-7c1f5a0e8321', 'posted')",
    ),
    (
        "empty",
        "INSERT INTO setup OVERRIDING SYSTEM VALUE SELECT (jsonb_populate_record(s, '{\"setup_id\": -1, \"n\": 9}')).* "
        f"FROM setup s WHERE setup_id = {LONE}; INSERT INTO setup_summary "
        "SELECT (jsonb_populate_record(s, '{\"setup_id\": -1, \"counts\": false, \"pulls\": 0}')).* "
        f"FROM setup_summary s WHERE setup_id = {LONE}",
    ),
    ("samples-missing", "DELETE FROM pull_raw WHERE pull_id = (SELECT min(pull_id) FROM pull_raw)"),
    ("parts-disagree", "DELETE FROM setup_part WHERE setup_id = (SELECT min(setup_id) FROM setup_part)"),
    ("parts-disagree", f"INSERT INTO setup_part SELECT setup_id, 1 FROM setup WHERE setup_id = {LONE}"),
    ("alias-in-use", "UPDATE vehicle_merge SET undone_at = now()"),
    ("alias-in-use", "UPDATE part_merge SET undone_at = now()"),
    ("correction-disagrees", "UPDATE bay_correction SET undone_at = now()"),
    ("correction-disagrees", f"UPDATE pull SET started_at = '2026-03-23T00:00:00Z' WHERE setup_id = {LONE}"),
    ("clock-ahead", "UPDATE session SET received_at = now() + interval '2 hours' WHERE posted_by = 'admin'"),
    ("clock-ahead", "UPDATE history SET at = now() + interval '2 hours'"),
    ("clock-ahead", "UPDATE model_fit SET as_of = now() + interval '2 hours'"),
    ("summary-missing", f"DELETE FROM setup_summary WHERE setup_id = {LONE}"),
    ("summary-outdated", f"UPDATE setup_summary SET method = method - 1 WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET bay_id = bay_id + 1 WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET stock_checked = 'unknown' WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET n_parts = 1 WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET stock = false WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET complete = false WHERE setup_id = {LONE}"),
    ("summary-misplaced", f"UPDATE setup_summary SET vehicle_id = vehicle_id + 1 WHERE setup_id = {LONE}"),
    ("counts-wrongly", f"UPDATE setup_summary SET counts = false WHERE setup_id = {LONE}"),
    ("counts-wrongly", f"UPDATE setup_summary SET counts = true WHERE setup_id = {STRUCK}"),
    ("summary-disagrees", f"UPDATE setup_summary SET power_kw = power_kw * 1.00001 WHERE setup_id = {LONE}"),
    ("summary-disagrees", f"UPDATE setup_summary SET torque_nm = 'NaN' WHERE setup_id = {LONE}"),
    ("summary-disagrees", f"UPDATE setup_summary SET torque_nm = NULL WHERE setup_id = {LONE}"),
    ("summary-disagrees", f"UPDATE setup_summary SET pulls = pulls + 1 WHERE setup_id = {LONE}"),
    ("summary-disagrees", f"UPDATE setup_summary SET power_best_kw = 121 WHERE setup_id = {PEAKS}"),
    ("doubts-disagree", f"UPDATE setup_summary SET doubts = '{{}}' WHERE setup_id = {DOUBTED}"),
    ("doubts-disagree", f"UPDATE setup_summary SET doubts = '{{tyre-slip}}' WHERE setup_id = {LONE}"),
    ("curve-orphan", f"INSERT INTO setup_curve SELECT {PEAKS}, first, torque_nm FROM setup_curve LIMIT 1"),
    ("curve-missing", f"DELETE FROM setup_curve WHERE setup_id = {LONE}"),
    ("curve-broken", f"UPDATE setup_curve SET torque_nm = substr(torque_nm, 2) WHERE setup_id = {LONE}"),
    ("curve-broken", f"UPDATE setup_curve SET first = 230 WHERE setup_id = {LONE}"),
    ("curve-broken", f"UPDATE setup_curve SET channels = channels || '{{boost}}' WHERE setup_id = {LONE}"),
    ("evidence-unversioned", "DELETE FROM evidence_version WHERE part_id = 0"),
    ("fit-late", f"{OLD_FIT}; INSERT INTO car_change (vehicle_id) SELECT min(vehicle_id) FROM vehicle"),
    (
        "fit-late",
        "DELETE FROM model_fit; UPDATE session SET received_at = now() - interval '3 days'",
    ),
    ("fit-late", "INSERT INTO refit_wish (asked_at, who) VALUES (now() - interval '3 days', 'somebody')"),
    ("history-missing", "DELETE FROM history WHERE action = 'posted'"),
    ("history-missing", "DELETE FROM history WHERE action = 'struck' AND about LIKE '%/pulls/%'"),
    ("history-missing", f"UPDATE setup SET struck = 'why' WHERE setup_id = {LONE}; "
                        f"UPDATE setup_summary SET counts = false WHERE setup_id = {LONE}"),
    ("history-missing", f"UPDATE session SET struck = 'why' FROM setup WHERE setup.session_id = session.session_id "
                        f"AND setup_id = {LONE}; UPDATE setup_summary SET counts = false WHERE setup_id = {LONE}"),
    ("history-unguarded", "ALTER TABLE history DISABLE TRIGGER history_is_append_only"),
    ("history-unguarded", "DROP TRIGGER setting_is_append_only ON setting"),
    ("history-unguarded", "GRANT DELETE ON history TO bayledger_service"),
    ("history-unguarded", "GRANT UPDATE ON setting TO bayledger_service"),
    ("history-unguarded", "GRANT TRUNCATE ON history TO bayledger_service"),
    ("index-invalid", "UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'history_by_about'::regclass"),
    (
        "sequence-behind",
        "INSERT INTO bay_event (bay_event_id, bay_id, at, kind) OVERRIDING SYSTEM VALUE "
        "SELECT 999, min(bay_id), now(), 'other' FROM bay",
    ),
    ("pairs-not-as-made", f"DELETE FROM pair WHERE {A_PAIR}"),
    ("pairs-not-as-made", f"UPDATE pair SET usable = NOT usable WHERE {A_PAIR}"),
    ("pairs-not-as-made", f"UPDATE pair SET held = NOT held WHERE {A_PAIR}"),
    ("pairs-not-as-made", f"UPDATE pair SET match = 1 - match WHERE {A_PAIR}"),
    ("pairs-not-as-made", f"UPDATE pair SET gap_days = gap_days + 1 WHERE {A_PAIR}"),
    ("pairs-not-as-made", "UPDATE pair SET again_share = again_share / 2 WHERE setup_again IS NOT NULL"),
    ("pairs-not-as-made", "UPDATE pair SET differs = '[{\"what\": \"ethanol\", \"before\": 0.0, \"after\": 0.1}]' "
                          f"WHERE {A_PAIR}"),
    ("pairs-not-as-made", "UPDATE setup_summary SET coolant_c = 60 WHERE setup_id = (SELECT min(setup_with) FROM pair)"),
    ("samples-unreadable", "UPDATE pull_raw SET raw = substr(raw, 1, octet_length(raw) - 9)"),
    ("samples-unreadable", "UPDATE pull_raw SET enc = 9"),
]  # fmt: skip


def test_over_a_sound_ledger_all_hold(hand):
    assert speaking(hand) == {}
    counted = hand.execute(
        """
        SELECT (SELECT count(*) FROM pair), (SELECT count(*) FROM pair WHERE setup_again IS NOT NULL),
               (SELECT count(*) FROM pull WHERE struck IS NOT NULL), (SELECT count(*) FROM pull WHERE correction_id > 0),
               (SELECT count(*) FROM setup_summary WHERE doubts <> '{}'), (SELECT count(*) FROM model_fit)
        """
    ).fetchone()
    assert min(counted) > 0  # else there would be nothing to hold


def test_over_an_empty_ledger_all_hold(server):
    with psycopg.connect(server.superuser_url, autocommit=True) as line:
        assert speaking(line) == {}


@pytest.mark.parametrize(("name", "broken_by"), DAMAGE)
def test_of_some_damage_just_the_one_that_is_there_for_it_speaks(hand, name, broken_by):
    with hand.transaction(force_rollback=True):
        hand.execute("SET LOCAL session_replication_role = replica")
        hand.execute(broken_by)
        assert list(speaking(hand)) == [name]
    assert speaking_of(hand, name) == []


def speaking_of(conn: Connection, name: str) -> list[str]:
    """Where one self-check does not hold."""
    one = next(one for one in INVARIANTS if one.name == name)
    return looked_at(conn, one, LIMIT_S, ALL_CARS).places


@pytest.mark.parametrize(
    "broken_by",
    [
        "UPDATE pair SET at = at + interval '1 hour'",
        "UPDATE pair SET part_id = against_id, against_id = part_id WHERE against_id > 0 OR part_id > 0",
        "UPDATE pair SET same_session = NOT same_session",
        "UPDATE pair SET setup_again = setup_without WHERE setup_again IS NOT NULL",
    ],
)
def test_a_wrong_comparison_is_seen_by_what_it_says_and_by_making_it_anew(hand, broken_by):
    with hand.transaction(force_rollback=True):
        hand.execute("SET LOCAL session_replication_role = replica")
        hand.execute(broken_by + (" AND " if "WHERE" in broken_by else " WHERE ") + "setup_with > 0")
        assert {"pair-wrong", "pairs-not-as-made"} <= set(speaking(hand))


@pytest.mark.parametrize(
    ("names", "broken_by"),
    [
        (
            {"pair-wrong", "counts-wrongly"},
            "UPDATE setup_summary SET counts = false WHERE setup_id = (SELECT min(setup_with) FROM pair)",
        ),
        ({"pair-wrong", "reference-lost"}, f"UPDATE pair SET against_id = 999999 WHERE {A_PAIR}"),
        ({"pair-wrong", "reference-lost"}, f"UPDATE pair SET platform_id = 999999 WHERE {A_PAIR}"),
        (
            {"pair-wrong", "pairs-not-as-made"},  # one too many, and none missing
            "INSERT INTO pair SELECT (jsonb_populate_record(p, jsonb_build_object('setup_with', setup_without, "
            f"'setup_without', setup_with))).* FROM pair p WHERE {A_PAIR}",
        ),
        (
            {"alias-in-use", "summary-misplaced"},
            "UPDATE session SET vehicle_id = from_id FROM vehicle_merge WHERE vehicle_id = into_id",
        ),
    ],
)  # fmt: skip
def test_some_damage_is_seen_by_several(hand, names, broken_by):
    with hand.transaction(force_rollback=True):
        hand.execute("SET LOCAL session_replication_role = replica")
        hand.execute(broken_by)
        assert names <= set(speaking(hand))


@pytest.mark.parametrize(
    ("look", "broken_by"),
    [(pairs_made_anew, "DELETE FROM pair"), (samples_read_back, "UPDATE pull_raw SET enc = 9")],
)
def test_a_sample_is_another_one_each_time(hand, look, broken_by):
    """Else what it never looks at may rot: of three cars at least, and of more pulls, sixty samples of one see some."""
    with hand.transaction(force_rollback=True):
        hand.execute(broken_by)
        assert len({place.split(":")[0] for _ in range(60) for place in look(hand, 1)[0]}) > 1


def test_a_comparison_is_held_against_the_one_made_anew_in_every_column(hand):
    rows = hand.execute("SELECT attname FROM pg_attribute WHERE attrelid = 'pair'::regclass AND attnum > 0")
    assert {name for (name,) in rows} == {*COMPARED, "platform_id", "vehicle_id"}


def test_every_self_check_was_seen_to_speak():
    assert {one.name for one in INVARIANTS} == {name for name, _ in DAMAGE} | {"pair-wrong"}


def test_a_place_names_what_is_to_be_mended(hand):
    lone = hand.execute(f"SELECT {LONE}").fetchone()[0]
    with hand.transaction(force_rollback=True):
        hand.execute(f"UPDATE setup_summary SET power_kw = 1 WHERE setup_id = {LONE}")
        assert speaking(hand) == {"summary-disagrees": [f"setup {lone}"]}


def test_every_foreign_key_of_the_schema_is_asked_for(hand):
    rows = hand.execute(
        """
        SELECT conrelid::regclass::text, child.attname, confrelid::regclass::text, parent.attname
        FROM   pg_constraint
               JOIN pg_attribute child ON child.attrelid = conrelid AND child.attnum = conkey[1]
               JOIN pg_attribute parent ON parent.attrelid = confrelid AND parent.attnum = confkey[1]
        WHERE  contype = 'f' AND connamespace = 'public'::regnamespace
        """
    ).fetchall()
    assert set(rows) == set(FOREIGN_KEYS)


def test_every_numbered_column_of_the_schema_is_asked_for(hand):
    rows = hand.execute(
        "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'public' AND is_identity = 'YES'"
    ).fetchall()
    assert set(rows) == set(IDENTITIES)


def test_what_takes_too_long_is_told_and_the_others_are_asked_all_the_same(hand, monkeypatch):
    slow = Invariant("slow", "", "", "SELECT pg_sleep(20)::text")
    monkeypatch.setattr(selfchecks, "INVARIANTS", (slow, INVARIANTS[0]))
    first, second = selfcheck(hand, 0.2)
    assert (first.holds, first.why_not) == (False, "it was not answered within 0.2 s")
    assert second.holds


def test_it_can_change_nothing(hand, monkeypatch):
    def write(conn: Connection, _: int) -> tuple[list[str], str]:
        conn.execute("DELETE FROM pair")
        return [], ""

    monkeypatch.setattr(selfchecks, "INVARIANTS", (Sampled("writes", "", "", write),))
    with pytest.raises(psycopg.errors.ReadOnlySqlTransaction):
        list(selfcheck(hand, LIMIT_S))


def test_a_post_meanwhile_waits_for_nothing_and_is_not_seen_half(hand, lived_url, server):
    url = server.service_url.replace("/bayledger?", "/selfchecks?")
    token = tokens.create_token(hand, scope="admin", name="meanwhile")
    looking = selfcheck(hand, LIMIT_S, ALL_CARS)
    first = next(looking)
    with client_over(url, token) as client:
        body = session(setup(), setup(["road-map"], 1.1), vehicle="stoat-12", day=12)
        done(client.post("/v1/sessions", body))
    assert all(one.holds for one in [first, *looking])
    assert speaking(hand) == {}


def test_the_service_s_own_role_may_not_see_all_that_is_looked_at(hand, connection):
    assert (is_owner(hand), is_owner(connection)) == (True, False)


def test_a_sample_says_how_much_it_looked_at(hand):
    looked = {one.name: one.looked for one in selfcheck(hand, LIMIT_S, 2) if one.looked}
    assert looked["pairs-not-as-made"].startswith("2 of ")
    assert looked["samples-unreadable"].endswith(" pulls")


def test_a_sample_has_as_many_pulls_as_asked_for_also_where_numbers_were_never_used(hand):
    """A post that was refused half-way takes numbers with it."""
    with hand.transaction(force_rollback=True):
        hand.execute("SET LOCAL session_replication_role = replica")
        (all_there,) = hand.execute("SELECT count(*) FROM pull_raw").fetchone()
        hand.execute("UPDATE pull_raw SET pull_id = pull_id * 1000")
        assert samples_read_back(hand, 10) == ([], "10 pulls")
        assert samples_read_back(hand, all_there + 5) == ([], f"{all_there} pulls")


def late(conn: Connection) -> list[str]:
    """Where the last proved backup is older than three days."""
    return looked_at(conn, backup_late(3.0), LIMIT_S, ALL_CARS).places


def test_a_ledger_younger_than_that_needs_no_backup_yet(hand):
    assert late(hand) == []


def test_a_ledger_that_never_had_a_proved_backup_is_told_so(hand):
    with hand.transaction(force_rollback=True):
        hand.execute("SET LOCAL session_replication_role = replica")
        hand.execute("UPDATE session SET received_at = '2020-03-01T12:00:00Z'")
        assert late(hand) == ["there never was one; the first session came in at 2020-03-01 12:00 UTC"]


@pytest.mark.parametrize(("days_ago", "is_late"), [(2.9, False), (3.1, True)])
def test_a_proved_backup_may_be_three_days_old(hand, days_ago, is_late):
    at = (datetime.now(UTC) - timedelta(days=days_ago)).replace(microsecond=0)
    with hand.transaction(force_rollback=True):
        assert note_proved(hand, at)
        assert late(hand) == ([f"the last one is of {at:%Y-%m-%d %H:%M} UTC"] if is_late else [])
        seen = watched(lambda: nullcontext(hand))
    assert seen.backup_age_s == pytest.approx(days_ago * 86_400, abs=30)


@pytest.mark.parametrize("words", ["ours since 2019", PROVED + "long ago (many)", PROVED])
def test_a_comment_that_is_no_note_of_ours_says_nothing_and_only_ours_is_written_over(hand, words):
    with hand.transaction(force_rollback=True):
        hand.execute(f"COMMENT ON DATABASE selfchecks IS '{words}'")
        assert late(hand) == []
        assert note_proved(hand, datetime.now(UTC)) == words.startswith(PROVED)
