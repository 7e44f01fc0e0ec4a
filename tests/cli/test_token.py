"""`bayledger token` on a real database."""

import hashlib

import pytest

from service.local import start_server
from tests.local.conftest import execute, postmaster_of, scalar


def test_create_prints_the_token_alone_and_the_ledger_keeps_its_hash(run, ledger):
    ran = run("token", "create", "--scope", "read", "--name", "counter", "--data-dir", ledger)
    assert ran.code == 0
    token = ran.out.removesuffix("\n")
    assert len(token) > 40
    assert token.isprintable()
    assert " " not in token
    with start_server(ledger) as server:
        assert (
            scalar(server.owner_url, "select secret_hash from token")
            == hashlib.sha256(token.encode()).digest()
        )


@pytest.mark.parametrize(
    "words",
    [
        ("token", "create", "--scope", "admin"),
        ("token", "list"),
        ("token", "revoke", 1),
        ("migrate",),
        ("migrate", "--show"),
        ("migrate", "--to", "base", "--yes"),
    ],
)
def test_a_folder_without_a_ledger_is_refused_and_left_as_it_is(run, folder, words):
    ran = run(*words, "--data-dir", folder)
    assert (ran.code, ran.out) == (1, "")
    assert len(ran.err.splitlines()) == 1
    assert f"no ledger in {folder.resolve()}." in ran.err
    assert "--data-dir" in ran.err
    assert "`bayledger serve`" in ran.err
    assert not folder.exists()


def test_the_working_folder_without_a_ledger_gets_none(run, tmp_path):
    ran = run("token", "list")
    assert (ran.code, list(tmp_path.iterdir())) == (1, [])
    assert str(tmp_path / ".bayledger") in ran.err


def test_a_command_on_a_stopped_ledger_stops_it_again(run, used_folder):
    assert run("token", "create", "--scope", "admin", "--data-dir", used_folder).code == 0
    assert postmaster_of(used_folder) is None
    assert "admin" in run("token", "list", "--data-dir", used_folder).out


def test_a_posting_token_belongs_to_a_bay(run, ledger):
    assert run("token", "create", "--scope", "post", "--data-dir", ledger).code == 2
    assert run("token", "create", "--scope", "read", "--bay", "north", "--data-dir", ledger).code == 2
    unknown = run("token", "create", "--scope", "post", "--bay", "north", "--data-dir", ledger)
    assert unknown.code == 1
    assert "no bay 'north'" in unknown.err

    with start_server(ledger) as server:
        execute(
            server.owner_url, "insert into bay (slug, name, kind) values ('north', 'North', 'roller-inertia')"
        )
    assert run("token", "create", "--scope", "post", "--bay", "north", "--data-dir", ledger).code == 0
    assert "north" in run("token", "list", "--data-dir", ledger).out


def test_list_shows_the_state_and_never_the_token(run, ledger):
    assert "no tokens yet" in run("token", "list", "--data-dir", ledger).out
    token = run(
        "token", "create", "--scope", "read", "--name", "counter", "--expires-days", 3, "--data-dir", ledger
    ).out
    listed = run("token", "list", "--data-dir", ledger).out
    assert "counter" in listed
    assert "valid until" in listed
    assert token.strip() not in listed


def test_a_token_lasts_as_many_days_as_is_said_and_is_listed_as_ended_then(run, ledger):
    for name, days in (("counter", 3), ("visitor", 1e-7)):
        made = run(
            "token", "create", "--scope", "read", "--name", name, "--expires-days", days, "--data-dir", ledger
        )
        assert made.code == 0, made.err
    with start_server(ledger) as server:
        days = scalar(
            server.owner_url, "select extract(epoch from max(expires_at) - now()) / 86400 from token"
        )
    assert float(days) == pytest.approx(3, abs=0.01)
    visitor, counter = run("token", "list", "--data-dir", ledger).out.splitlines()[1:]
    assert ("visitor" in visitor, "ended" in visitor) == (True, True)
    assert ("counter" in counter, "valid until" in counter) == (True, True)


def test_revoke_ends_a_token_once(run, ledger):
    run("token", "create", "--scope", "read", "--data-dir", ledger)
    assert run("token", "revoke", 1, "--data-dir", ledger).code == 0
    assert "revoked" in run("token", "list", "--data-dir", ledger).out
    again = run("token", "revoke", 1, "--data-dir", ledger)
    assert again.code == 1
    assert "token list" in again.err


@pytest.mark.parametrize("days", ["0", "-1", "x"])
def test_a_lifetime_of_nothing_is_wrong_use(run, days, tmp_path):
    ran = run("token", "create", "--scope", "read", "--expires-days", days, "--data-dir", tmp_path / "none")
    assert ran.code == 2
    assert not (tmp_path / "none").exists()
