"""`bayledger selfcheck`: exit code and words for cron and for people."""

import json
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from service.local import start_server
from service.store.backups import note_proved

BROKEN = "INSERT INTO car_change (vehicle_id) SELECT 900 + n FROM generate_series(1, 7) n"


@pytest.fixture
def broken(ledger):
    """A ledger whose changes name cars that there are not."""
    with start_server(ledger) as server, psycopg.connect(server.superuser_url) as hand:
        hand.execute(BROKEN)
    return ledger


def test_a_sound_ledger_is_said_to_be_one(run, ledger):
    ran = run("selfcheck", "--data-dir", ledger)
    assert (ran.code, ran.err) == (0, "")
    first, _, rest = ran.out.partition(" self-checks hold, ")
    assert first.split(" of ")[0] == first.split(" of ")[1]
    assert "(by sample: pairs-not-as-made: 0 of 0 cars" in rest


def test_quiet_it_says_nothing_where_all_is_well(run, ledger):
    ran = run("selfcheck", "--quiet", "--data-dir", ledger)
    assert (ran.code, ran.out, ran.err) == (0, "", "")


def test_damage_is_said_with_what_it_means_the_way_out_and_where(run, broken):
    ran = run("selfcheck", "--quiet", "--data-dir", broken)
    assert ran.code == 1
    lines = ran.out.splitlines()
    assert lines[0] == "reference-lost: 7 found"
    assert lines[1].startswith("    means: a row names another one")
    assert lines[2].startswith("    way out: ")
    assert lines[3:8] == [f"    car_change: vehicle_id {900 + n}" for n in range(1, 6)]
    assert len(lines) == 9


def test_for_programs_all_of_it_is_json(run, broken):
    ran = run("selfcheck", "--json", "--data-dir", broken)
    document = json.loads(ran.out)
    assert (ran.code, document["holds"]) == (1, False)
    (one,) = [one for one in document["selfchecks"] if not one["holds"]]
    assert (one["name"], len(one["places"]), one["why_not"]) == ("reference-lost", 7, "")
    assert len({one["name"] for one in document["selfchecks"]}) == len(document["selfchecks"]) > 20


def test_the_service_s_role_is_refused_with_the_way_out(run, ledger):
    with start_server(ledger) as server:
        ran = run("selfcheck", "--database-url", server.service_url)
    assert ran.code == 1
    assert "--owner-database-url" in ran.err


def test_an_older_schema_is_refused_with_the_way_out(run, unmigrated_ledger, monkeypatch):
    monkeypatch.setattr("service.store.readiness.REVISION", "9999")
    ran = run("selfcheck", "--data-dir", unmigrated_ledger)
    assert ran.code == 1
    assert "bayledger migrate" in ran.err


def test_what_takes_too_long_is_told(run, ledger):
    with start_server(ledger) as server, psycopg.connect(server.superuser_url) as holder:
        holder.execute("LOCK TABLE slot IN ACCESS EXCLUSIVE MODE")
        ran = run("selfcheck", "--limit", "0.3", "--data-dir", ledger)
        holder.rollback()
    assert ran.code == 1
    assert "orphan: it was not answered within 0.3 s" in ran.out


def test_a_ledger_without_a_verified_backup_is_told_how_to_make_one(run, measured):
    ran = run("selfcheck", "--database-url", measured.owner_url, "--backup-days", 1e-9)
    assert ran.code == 1
    first, means, way_out, place = ran.out.splitlines()[:4]
    assert first == "backup-late: 1 found"
    assert "was put back and compared" in means
    assert "`bayledger backup --verify`" in way_out
    assert place.startswith("    there never was one; the first session came in at ")


@pytest.mark.parametrize(("hours_ago", "code"), [(70, 0), (74, 1)])
def test_unless_told_otherwise_the_last_verified_backup_may_be_three_days_old(run, kept, hours_ago, code):
    with psycopg.connect(kept.owner_url, autocommit=True) as owner:
        note_proved(owner, datetime.now(UTC) - timedelta(hours=hours_ago))
    ran = run("selfcheck", "--quiet", "--database-url", kept.owner_url)
    assert ran.code == code, ran.out
    assert ran.out.startswith("backup-late: 1 found" if code else "")
