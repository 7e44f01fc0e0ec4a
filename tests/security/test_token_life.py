"""A token's life: made, shown once, listed without its secret, ended, and at its end by itself."""

import re
from datetime import timedelta

import pytest
import yaml

from service.cli import main
from service.store import tokens
from tests.conftest import ROOT, Client
from tests.tokens import end_token, new_token


def dump_of(connection) -> str:
    """Every row of the table, all columns, as text."""
    return "\n".join(str(row) for row in connection.execute("SELECT t::text FROM token t").fetchall())


def test_the_ledger_keeps_no_token_only_its_hash(connection):
    token = new_token(connection, scope="read", name="counter")
    assert re.fullmatch(r"bay_[\w-]{43}", token), "32 random bytes"
    assert token not in dump_of(connection)
    assert token.removeprefix("bay_") not in dump_of(connection)
    assert tokens.hash_of(token).hex() in dump_of(connection)


def test_no_two_tokens_are_alike(connection):
    assert len({new_token(connection, scope="read") for _ in range(50)}) == 50


def test_a_listing_names_every_token_and_holds_no_secret(connection):
    token = new_token(connection, scope="read", name="counter")
    listed = tokens.list_tokens(connection)[0]
    assert (listed.name, listed.scope, listed.revoked_at) == ("counter", "read", None)
    assert token not in repr(listed)
    assert tokens.hash_of(token).hex() not in repr(listed)


def test_its_end_comes_by_itself_at_the_very_moment(app, connection):
    begun = connection.execute("SELECT now()").fetchone()[0]  # the test's transaction has one moment
    ended = new_token(connection, scope="read", expires_at=begun)
    living = new_token(connection, scope="read", expires_at=begun + timedelta(microseconds=1))
    assert Client(app.test_client(), ended).get("/v1/parts").status_code == 401
    assert Client(app.test_client(), living).get("/v1/parts").status_code == 200


def test_once_ended_it_stays_ended(connection):
    new_token(connection, scope="read")
    number = tokens.list_tokens(connection)[0].token_id
    assert end_token(connection, number)
    assert not end_token(connection, number), "there is nothing left to end"
    assert tokens.list_tokens(connection)[0].revoked_at is not None


def test_no_address_of_the_api_gives_out_tokens(app, shop):
    token = shop.token
    rules = [rule.rule for rule in app.url_map.iter_rules()]
    assert [rule for rule in rules if "token" in rule] == []
    for path in ("/v1/history", "/v1/caller", "/v1/settings", "/metrics"):
        answer = shop.get(path)
        assert answer.status_code == 200, path
        assert token not in answer.text
        assert tokens.hash_of(token).hex() not in answer.text


@pytest.mark.parametrize("name", ["two\nlines", "tab\there", "\x1b[31mred", "turned\u202eround"])
def test_a_name_that_cannot_be_shown_on_a_line_is_refused(name, capsys):
    code = main(["token", "create", "--scope", "read", "--name", name])
    said = capsys.readouterr()
    assert (code, said.out) == (2, "")
    assert "write it in plain text" in said.err
    assert name not in said.err


def test_a_token_in_the_address_is_not_taken_there(shop, app):
    """It would stand in every log between here and there."""
    asked = app.test_client().get(f"/v1/parts?token={shop.token}&access_token={shop.token}")
    assert asked.status_code == 401


def test_the_hash_is_found_by_equality_in_the_database_so_no_time_tells_how_much_of_a_guess_was_right(
    connection,
):
    """What is compared is a SHA-256 of the guess: how many of its bits agree says nothing about the token's."""
    token = new_token(connection, scope="read")
    near = token[:-1] + ("A" if token[-1] != "A" else "B")
    same = sum(a == b for a, b in zip(tokens.hash_of(token), tokens.hash_of(near), strict=True))
    assert same < 8, "one letter changes nearly all 32 bytes"
    assert tokens.find_caller(connection, near)[0] is None


def test_a_token_is_good_letter_by_letter_or_not_at_all(connection):
    token = new_token(connection, scope="read")
    assert tokens.find_caller(connection, token)[0] is not None
    for near in (
        token.lower(),
        token.upper(),
        token.swapcase(),
        token[:-1],
        f"{token}A",
        f"{token} ",
        token[4:],
    ):
        assert tokens.find_caller(connection, near)[0] is None


@pytest.mark.parametrize("words", [("create", "--scope", "admin"), ("revoke", "1")])
def test_the_services_role_is_refused_it_and_told_the_way_out(server, capsys, words):
    code = main(["token", *words, "--database-url", server.service_url])
    said = capsys.readouterr()
    assert (code, said.out) == (1, "")
    assert "BAYLEDGER_OWNER_DATABASE_URL" in said.err
    assert "docker compose run --rm -T migrate bayledger token" in said.err


def test_what_an_installation_makes_tokens_with_speaks_as_the_schemas_owner():
    """`bayledger` on the machine, and the container of which README says so."""
    compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]
    script = (ROOT / "service/units/ledger.sh").read_text()
    owners = re.search(r"^ *([a-z |]+)\) *role=owner", script, re.MULTILINE)
    assert owners is not None
    assert "token" in owners[1].split(" | ")
    assert (
        compose["migrate"]["environment"]["BAYLEDGER_DATABASE_URL"]
        == "postgresql://bayledger_owner@database/bayledger"
    )
    assert "docker compose run --rm -T migrate bayledger token create" in (ROOT / "README.md").read_text()
