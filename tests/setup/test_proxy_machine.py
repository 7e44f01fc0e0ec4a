"""Debian's nginx under the container's own configuration, before the real service (machine: nginx, root)."""

import contextlib
import json
import re
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from http.client import HTTPResponse
from pathlib import Path

import httpx
import pytest

from service.api.rates import MOST_FAILURES
from service.app import SECURITY_HEADERS
from service.bay.addresses import HTTPS_ONLY
from service.settings import DEFAULT_MAX_BODY_BYTES, DEFAULT_THREADS
from tests.live import free_port
from tests.setup.check import ROOT
from tests.setup.installed import NAME, Shop, wait_until

pytestmark = pytest.mark.machine

SITE = ROOT / "dashboard" / "site"
HSTS = "Strict-Transport-Security"
PROBLEM = "application/problem+json"
FLOOD = 900


@pytest.fixture(scope="module")
def token(shop: Shop) -> str:
    return shop.ledger("token", "create", "--scope", "admin", "--name", "proxy")


@pytest.fixture
def asked(shop: Shop) -> Iterator[httpx.Client]:
    with shop.client() as client:
        yield client


def plain_url(shop: Shop) -> str:
    return f"http://127.0.0.1:{shop.places.http}"


@contextlib.contextmanager
def line(shop: Shop, address: str = "127.0.0.1") -> Iterator[ssl.SSLSocket]:
    """A bare line to the proxy, to say odd things on."""
    raw = socket.create_connection(("127.0.0.1", shop.places.https), 20, source_address=(address, 0))
    trusted = ssl.create_default_context(cafile=shop.authority)
    with trusted.wrap_socket(raw, server_hostname="localhost") as door:
        yield door


def test_every_page_is_the_services_own_byte_for_byte_with_its_headers(shop, asked):
    direct = f"http://127.0.0.1:{shop.places.service}"
    for file in (path for path in SITE.rglob("*") if path.is_file()):
        address = f"/{file.relative_to(SITE)}"
        here, there = asked.get(address), httpx.get(direct + address)
        assert (here.status_code, here.content) == (200, there.content), address
        for name in (*SECURITY_HEADERS, "Cache-Control"):
            assert here.headers.get_list(name) == there.headers.get_list(name), (address, name)
        kinds = [answer.headers["Content-Type"].partition(";")[0] for answer in (here, there)]
        assert len({kind.replace("application/javascript", "text/javascript") for kind in kinds}) == 1, (
            address
        )
        assert here.headers.get_list(HSTS) == ["max-age=2592000"]


def test_the_front_page_and_a_lost_one(asked):
    assert asked.get("/").content == (SITE / "index.html").read_bytes()
    lost = asked.get("/no-such-page.html")
    assert (lost.status_code, lost.content) == (404, (SITE / "404.html").read_bytes())
    assert lost.headers["Content-Security-Policy"] == SECURITY_HEADERS["Content-Security-Policy"]


def test_a_page_is_asked_about_again_and_not_sent_twice(asked):
    first = asked.get("/style.css")
    again = asked.get("/style.css", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304


def test_an_answer_carries_each_header_once(asked, token):
    answer = asked.get("/v1/settings", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200
    for name, value in {**SECURITY_HEADERS, HSTS: "max-age=2592000"}.items():
        assert answer.headers.get_list(name) == [value], name
    assert "nginx/" not in answer.headers["Server"]


COMPRESSING = """
daemon off; pid {folder}/pid; error_log {folder}/log warn; events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/1; proxy_temp_path {folder}/2; fastcgi_temp_path {folder}/3;
    uwsgi_temp_path {folder}/4; scgi_temp_path {folder}/5;
    gzip on; gzip_proxied any; gzip_min_length 20; gzip_types application/json;
    server {{
        listen 127.0.0.1:{port};
        location / {{ proxy_pass http://127.0.0.1:{service}; proxy_http_version 1.1; proxy_set_header Host localhost; }}
    }}
}}
"""
"""A proxy of a shop's own, as many are set up: it compresses whatever is JSON."""


@pytest.fixture
def compressing(shop: Shop, tmp_path: Path) -> Iterator[str]:
    """The address of such a proxy before the service."""
    port = free_port()
    (tmp_path / "nginx.conf").write_text(
        COMPRESSING.format(folder=tmp_path, port=port, service=shop.places.service)
    )
    nginx = subprocess.Popen(["nginx", "-e", tmp_path / "log", "-c", tmp_path / "nginx.conf"])
    try:
        wait_until(lambda: listens(port), tmp_path / "log")
        yield f"http://127.0.0.1:{port}"
    finally:
        nginx.terminate()
        nginx.wait(timeout=20)


def listens(port: int) -> bool:
    """Whether somebody takes lines there."""
    try:
        socket.create_connection(("127.0.0.1", port), 3).close()
    except OSError:
        return False
    return True


def test_behind_a_proxy_that_compresses_what_is_known_is_304_and_a_change_says_why_it_cannot_be(
    shop, token, compressing
):
    platform = {"slug": "marten", "name": "Marten 1.6 T", "aspiration": "turbo", "ignition": "spark"}
    with httpx.Client(base_url=compressing, headers={"Authorization": f"Bearer {token}"}) as through:
        assert through.post("/v1/platforms", json=platform).status_code == 201
        read = through.get("/v1/platforms/marten")
        weak = read.headers["ETag"]
        assert (read.headers["Content-Encoding"], weak[:2]) == ("gzip", "W/")
        assert through.get("/v1/platforms/marten", headers={"If-None-Match": weak}).status_code == 304
        change = {"json": {"maker": "Ardmore"}, "headers": {"If-Match": weak}}
        told = through.patch("/v1/platforms/marten", **change)
        assert (told.status_code, "a proxy that compresses" in told.json()["detail"]) == (428, True)
        shop.ledger(
            "mend", "record", "platforms/marten", "maker=Ardmore", "--url", compressing, "--token", token
        )
        assert through.get("/v1/platforms/marten").json()["maker"] == "Ardmore"


def test_without_tls_a_person_is_sent_on_and_a_program_is_told(shop):
    page = httpx.get(plain_url(shop) + "/gain.html?part=a-part", headers={"Host": "ledger.example"})
    assert page.status_code == 301
    assert page.headers["Location"] == "https://ledger.example/gain.html?part=a-part"
    told = httpx.post(plain_url(shop) + "/v1/sessions", json={})
    assert (told.status_code, told.headers["Content-Type"]) == (403, PROBLEM)
    assert (told.json()["status"], told.json()["errors"][0]["code"]) == (403, HTTPS_ONLY)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1])
def test_what_speaks_an_old_tls_is_turned_away(shop, version):
    old = ssl.create_default_context(cafile=shop.authority)
    old.set_ciphers("ALL:@SECLEVEL=0")
    old.minimum_version = version
    old.maximum_version = version
    with (
        socket.create_connection(("127.0.0.1", shop.places.https), 10) as raw,
        pytest.raises((ssl.SSLError, ConnectionResetError)),
    ):
        old.wrap_socket(raw, server_hostname="localhost")


@pytest.mark.parametrize(
    "path",
    ["/../service/settings.py", "/%2e%2e/service/settings.py", "/..%2f..%2f..%2fetc/passwd", "/v1/../../etc/passwd",
     "/charts/", "/.git/config", "/%00"],
)  # fmt: skip
def test_nothing_but_the_pages_can_be_fetched(shop, path):
    with line(shop) as door:
        door.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        said = b"".join(iter(lambda: door.recv(65536), b""))
    assert re.match(rb"HTTP/1.1 40[04] ", said), said[:60]
    assert b"root:" not in said


def test_what_is_too_large_is_refused_in_the_ledgers_words_by_whichever_sees_it_first(asked, token):
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    by_the_service = asked.post("/v1/sessions", content=b" " * (DEFAULT_MAX_BODY_BYTES + 1), headers=headers)
    assert by_the_service.json()["detail"].startswith(
        f"the body is larger than {DEFAULT_MAX_BODY_BYTES:,} bytes"
    )
    by_the_proxy = asked.post(
        "/v1/sessions", content=b" " * (2 * DEFAULT_MAX_BODY_BYTES + 1), headers=headers
    )
    for answer in (by_the_service, by_the_proxy):
        assert (answer.status_code, answer.headers["Content-Type"]) == (413, PROBLEM)
        assert answer.json()["status"] == 413


def test_clients_that_send_slowly_keep_nobody_waiting_and_are_hung_up_on(shop, asked, token):
    """Twice as many as the service works on at once stop in the middle of a body."""
    head = f"POST /v1/sessions HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n"
    head += "Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n"
    with contextlib.ExitStack() as slow:
        doors = [slow.enter_context(line(shop)) for _ in range(2 * DEFAULT_THREADS)]
        begun = time.monotonic()
        for door in doors:
            door.sendall(head.encode() + b"{")
        for _ in range(10):
            assert asked.get("/v1/ready").status_code == 200
        answered_s = time.monotonic() - begun
        said = [hung_up(door) for door in doors]
        hung_up_s = time.monotonic() - begun
    print(
        f"\n{len(doors)} slow clients: ten answers within {answered_s:.2f} s, all hung up on after {hung_up_s:.0f} s"
    )
    assert answered_s < hung_up_s / 2
    assert all(one == b"" or b" 408 " in one for one in said)


def hung_up(door: ssl.SSLSocket) -> bytes:
    """What came before the other side ended the line."""
    try:
        return b"".join(iter(lambda: door.recv(65536), b""))
    except (ConnectionResetError, ssl.SSLEOFError):
        return b""


def test_the_service_sees_who_asks_whatever_they_say_of_themselves(shop):
    """One address shows too many wrong tokens, each as if from elsewhere; it is held up, and its neighbour is not."""
    with shop.client("127.0.0.2") as guessing, shop.client("127.0.0.3") as neighbour:
        seen = [
            guessing.get(
                "/v1/settings",
                headers={
                    "Authorization": f"Bearer wrong-{n}",
                    "X-Forwarded-For": f"198.51.100.{n}",
                    "Forwarded": f"for=198.51.100.{n}",
                },
            ).status_code
            for n in range(MOST_FAILURES + 5)
        ]
        assert seen == [401] * MOST_FAILURES + [429] * 5
        assert neighbour.get("/v1/settings", headers={"Authorization": "Bearer wrong"}).status_code == 401


def test_a_flood_from_one_address_is_thinned_out_and_does_not_touch_another(shop):
    with shop.client("127.0.0.5") as neighbour:
        request = b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n"
        with line(shop, "127.0.0.4") as door:
            door.sendall(request * FLOOD)
            said = b""
            while said.count(b"HTTP/1.1 ") < FLOOD:
                more = door.recv(65536)
                assert more, "hung up on"
                said += more
        passed, held = said.count(b"HTTP/1.1 200"), said.count(b"HTTP/1.1 429")
        assert neighbour.get("/v1/health").status_code == 200
        print(f"\nof {FLOOD} at once {passed} passed, {held} were told to wait")
        assert passed + held == FLOOD
        assert held > 100
        assert passed >= 200
        assert said.count(b'"title":"Too Many Requests"') == held


def test_by_another_sites_name_the_ledger_answers_nothing(asked):
    """The names of `.env` go to the service too, and the proxy hands on the one that was used."""
    for host, status in ((NAME, 200), ("192.0.2.20", 200), ("evil.example", 421)):
        assert asked.get("/v1/health", headers={"Host": host}).status_code == status, host


def test_metrics_are_told_through_the_proxy_to_whoever_has_a_token_only(asked, token):
    assert asked.get("/metrics").status_code == 401
    told = asked.get("/metrics", headers={"Authorization": f"Bearer {token}"})
    assert told.status_code == 200
    assert "bayledger_requests_total" in told.text


def test_while_the_service_is_away_the_pages_stay_and_whoever_asks_is_told_to_wait(shop, asked):
    assert shop.stop("service") == 0
    try:
        away = asked.get("/v1/ready")
        assert (away.status_code, away.headers["Content-Type"]) == (503, PROBLEM)
        assert away.headers["Retry-After"] == "5"
        assert away.json()["status"] == 503
        assert asked.get("/gain.html").status_code == 200
    finally:
        shop.start("service")
    wait_until(shop.is_ready, shop.places.log("service"))


def test_nginx_has_no_complaint_and_none_of_its_processes_any_rights(shop):
    said = shop.places.log("dashboard").read_text()
    assert not re.search(
        r"\[(warn|error|crit|alert|emerg)\](?!.*(limiting|upstream|too large|timed out|buffered to a temporary file))",
        said,
    ), said
    ids = subprocess.run(
        ["pgrep", "-s", str(shop.proxy_session)], capture_output=True, text=True
    ).stdout.split()
    assert len(ids) > 3, "the first process, two that serve, and the script's own"
    for each in ids:
        status = Path(f"/proc/{each}/status").read_text()
        assert re.search(r"^Uid:\s+[1-9]", status, re.MULTILINE)
        assert re.search(r"^CapEff:\s+0+$", status, re.MULTILINE)


def test_debians_own_nginx_takes_the_site_for_a_machine_without_containers(shop, tmp_path):
    """/etc/nginx/nginx.conf as the package brings it, with this one site in it."""
    places = shop.places
    (tmp_path / "site.conf").write_text(places.here((ROOT / "service/proxy/site.conf").read_text()))
    whole = Path("/etc/nginx/nginx.conf").read_text()
    assert "/etc/nginx/sites-enabled/*" in whole
    whole = whole.replace("/etc/nginx/sites-enabled/*", str(tmp_path / "site.conf"))
    (tmp_path / "nginx.conf").write_text(
        re.sub(r"^pid .*;", f"pid {tmp_path}/pid;", whole, flags=re.MULTILINE)
    )
    ran = subprocess.run(
        ["nginx", "-t", "-c", tmp_path / "nginx.conf"], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert "warn" not in ran.stderr


def test_what_the_proxy_says_by_itself_is_json(shop):
    for file in ("server.conf", "tls_only.conf"):
        said = re.findall(r"return (\d+) '(.*)';", (ROOT / "service/proxy" / file).read_text())
        assert said
        for status, body in said:
            assert json.loads(body)["status"] == int(status)


@pytest.mark.parametrize(
    ("sent", "told"),
    [(b"GET /%ZZ HTTP/1.1\r\nHost: localhost\r\n\r\n", 400), (b"GET / HTTP/1.1\r\n\r\n", 400),
     (b"<script> / HTTP/1.1\r\n\r\n", 400),
     (b"GET /" + b"a" * 9_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n", 414),
     (b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Long: " + b"a" * 9_000 + b"\r\n\r\n", 431)],
    ids=["address", "no host", "verb", "long address", "long header"],
)  # fmt: skip
def test_what_the_proxy_cannot_read_is_refused_as_all_else_is(shop, sent, told):
    """RFC 9110 15.5.1 and 15.5.15, RFC 6585 5."""
    with line(shop) as door:
        door.sendall(sent)
        answer = HTTPResponse(door)
        answer.begin()
        assert (answer.status, answer.getheader("Content-Type")) == (told, PROBLEM)
        assert json.loads(answer.read())["status"] == told
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers.get_all(name) == [value], name


def test_who_asks_the_door_with_tls_in_the_clear_is_told_so(shop):
    told = httpx.post(f"http://127.0.0.1:{shop.places.https}/v1/sessions", json={})
    assert (told.status_code, told.headers["Content-Type"]) == (403, PROBLEM)
    assert told.json()["errors"][0]["code"] == HTTPS_ONLY
    assert HSTS not in told.headers, "RFC 6797, 7.2"
