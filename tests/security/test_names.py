"""By which names the ledger answers: another site's name that was bent to its address (DNS rebinding) opens nothing.

A page may read what its own name answers; so a page of `evil.example`, whose name is made to lead to the ledger's address
once it is loaded, would read what is open to all who reach the ledger. The browser says the name it used (RFC 9110, 7.2).
"""

import socket
from contextlib import nullcontext
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import yaml

from service.app import SECURITY_HEADERS, create_app
from service.settings import Settings, SettingsError
from tests.conftest import ROOT, SETTINGS, Client

EVIL = "evil.example"
KINDS = ("/", "/gain.html", "/v1/parts", "/v1/health", "/v1/nothing", "/metrics", "/v1/openapi.json")


@cache
def named(**settings: object) -> Client:
    """A client of an app with settings of a test's own; making one takes longer than asking it."""
    app = create_app(replace(SETTINGS, **settings), connect=lambda: nullcontext(None))
    return Client(app.test_client(), None)


def asked(client: Client, host: str, path: str = "/v1/health") -> int:
    return client.get(path, Host=host).status_code


@pytest.mark.parametrize("path", KINDS)
def test_a_name_that_is_not_the_ledgers_opens_nothing(nobody, path):
    for host in (EVIL, f"{EVIL}:8321", f"127.0.0.1.{EVIL}", f"localhost.{EVIL}", "2130706433", "a_b.example"):
        assert asked(nobody, host, path) == 421, host


def test_nor_what_is_no_name_at_all(nobody):
    for host in ("", "[::", "evil example", "localhost:port", "@localhost"):
        assert asked(nobody, host) == 421, host


def test_also_where_reading_is_open_and_for_a_post_with_a_token(shop, nobody):
    version = shop.get("/v1/settings").headers["ETag"]
    assert shop.patch("/v1/settings", {"open_reading": True}, If_Match=version).status_code == 200
    assert asked(nobody, "127.0.0.1", "/v1/parts") == 200
    assert asked(nobody, EVIL, "/v1/parts") == 421
    part = {"slug": "a", "name": "A", "slots": ["charge-pipes"]}
    assert shop.post("/v1/parts", part, Host=EVIL).status_code == 421
    assert shop.post("/v1/parts", part).status_code == 201


def test_the_refusal_is_a_problem_document_that_says_the_way_out(nobody):
    refused = nobody.get("/v1/parts", Host=EVIL)
    assert (refused.content_type, refused.json["status"]) == ("application/problem+json", 421)
    assert "'evil.example'" in refused.json["detail"]
    assert "BAYLEDGER_NAMES" in refused.json["detail"]
    assert {name: refused.headers[name] for name in SECURITY_HEADERS} == SECURITY_HEADERS
    assert len(nobody.get("/v1/parts", Host="a" * 4000).json["detail"]) < 500


@pytest.mark.parametrize(
    "host",
    ["localhost", "localhost:8321", "LocalHost", "127.0.0.1:8321", "192.168.1.20", "[::1]:8321", "[fe80::1]"],
)
def test_its_addresses_and_localhost_are_known_whatever_is_set(host):
    """No name stands before an address, so there is none to bend."""
    for names in ("", "ledger.shop"):
        assert asked(named(names=names), host) == 200


def test_without_a_setting_this_machines_own_name_is_known():
    assert asked(named(), socket.gethostname()) == 200


def test_what_was_given_is_known_and_nothing_else_not_even_behind_tls():
    client = named(names="Ledger.shop  192.168.1.20 dyno", behind_tls=True)
    given = {host: asked(client, host) for host in ("ledger.shop", "LEDGER.SHOP:443", "dyno", "192.168.1.21")}
    assert set(given.values()) == {200}, given
    for host in (EVIL, "a.ledger.shop", "ledger.shop.example", "shop"):
        assert asked(client, host) == 421, host


@pytest.mark.parametrize("how", [{"behind_tls": True}, {"tls_cert": Path("c.pem"), "tls_key": Path("k.pem")}])
def test_over_tls_with_nothing_given_any_name_is_known(how):
    """A browser speaks to it only by a name in its certificate: for evil.example there is none."""
    assert asked(named(**how), "ledger.example") == 200


def test_a_request_without_a_name_comes_from_no_page(app):
    """HTTP/1.0 knew none; every browser sends one."""
    environ = {"REQUEST_METHOD": "GET", "PATH_INFO": "/v1/health", "SERVER_PROTOCOL": "HTTP/1.0"}
    assert (
        app.test_client().open("/v1/health", environ_overrides=environ | {"HTTP_HOST": None}).status_code
        == 200
    )


@pytest.mark.parametrize(
    "names", ["https://ledger.shop", "ledger.shop:443", "ledger.shop, dyno", ".shop", "a/b", "*.shop"]
)
def test_what_is_no_name_cannot_be_set(names):
    with pytest.raises(SettingsError, match="BAYLEDGER_NAMES must be host names or addresses"):
        Settings.from_environment({"BAYLEDGER_NAMES": names})


def test_an_installed_service_is_told_the_names_that_its_certificate_is_made_for():
    compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]
    assert compose["service"]["environment"]["BAYLEDGER_NAMES"] == "${BAYLEDGER_NAMES}"
    assert compose["dashboard"]["environment"]["BAYLEDGER_NAMES"].startswith("${BAYLEDGER_NAMES:?")
    units = ROOT / "service" / "units"
    assert (
        'echo "BAYLEDGER_NAMES=\\"$names\\"" > /etc/bayledger/names.env' in (units / "install.sh").read_text()
    )
    for unit, word in (("serve", "-/etc/bayledger/names.env"), ("certificate", "/etc/bayledger/names.env")):
        lines = (units / f"bayledger-{unit}.service").read_text().splitlines()
        assert f"EnvironmentFile={word}" in lines, unit
