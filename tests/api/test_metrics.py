"""/metrics: read by the reference parser of the format, counted by route and cause, and never naming a car."""

import contextlib
from collections.abc import Callable
from types import SimpleNamespace

import psycopg
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.api import metrics, request_log
from service.app import create_app
from service.settings import Settings
from service.store.db import PoolStanding
from service.store.standby import Standing
from service.worker.refit import refit
from tests.api.bodies import session
from tests.conftest import SETTINGS, Client
from tests.tokens import new_token

ELSEWHERE = {"REMOTE_ADDR": "192.0.2.7"}
"""An address for documentation (RFC 5737)."""

Sample = Callable[..., float]


def samples(client: Client) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Every sample by its name and labels, as the reference parser (prometheus-client) reads it."""
    answer = client.get("/metrics")
    assert answer.status_code == 200
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for family in text_string_to_metric_families(answer.text)
        for one in family.samples
    }


def value(client: Client, name: str, **labels: str) -> float:
    """One sample; nought where it was not counted yet."""
    return samples(client).get((f"bayledger_{name}", tuple(sorted(labels.items()))), 0.0)


@pytest.fixture
def more(nobody: Client) -> Callable[..., Sample]:
    """Remembers a sample; called, the result says by how much it has grown: the app is shared by all tests."""

    def since_now(name: str, **labels: str) -> Sample:
        before = value(nobody, name, **labels)
        return lambda: value(nobody, name, **labels) - before

    return since_now


def test_it_is_prometheus_text(nobody):
    answer = nobody.get("/metrics")
    assert answer.content_type == "text/plain; version=0.0.4; charset=utf-8"
    assert {family.type for family in text_string_to_metric_families(answer.text)} >= {
        "counter",
        "gauge",
        "histogram",
    }


def test_requests_are_counted_by_route_method_and_status(shop, nobody, more):
    found = more("requests_total", route="/v1/vehicles/<tag>", method="GET", status="200")
    missed = more("requests_total", route="/v1/vehicles/<tag>", method="GET", status="404")
    refused = more("requests_total", route="/v1/vehicles/<tag>", method="GET", status="401")
    for _ in range(3):
        shop.get("/v1/vehicles/car-a")
    shop.get("/v1/vehicles/no-such-car")
    nobody.get("/v1/vehicles/car-a")
    assert (found(), missed(), refused()) == (3, 1, 1)


def test_the_time_of_every_request_of_a_route_is_in_one_bucket(shop, more):
    route = "/v1/platforms/<slug>"
    everything, counted = (
        more("request_seconds_bucket", route=route, method="GET", le="+Inf"),
        more("request_seconds_count", route=route, method="GET"),
    )
    spent = more("request_seconds_sum", route=route, method="GET")
    shop.get("/v1/platforms/stoat")
    shop.get("/v1/platforms/no-such")
    assert everything() == counted() == 2
    assert 0 < spent() < 60


def test_a_request_s_time_is_counted_in_seconds(shop, more, monkeypatch):
    """As the base unit of Prometheus is the second ("Metric and label naming")."""
    monkeypatch.setattr(request_log, "perf_counter", lambda: 10.0)
    monkeypatch.setattr(metrics, "perf_counter", lambda: 10.3)
    route = "/v1/platforms/<slug>"
    spent = more("request_seconds_sum", route=route, method="GET")
    below, above = (more("request_seconds_bucket", route=route, method="GET", le=le) for le in ("0.2", "0.5"))
    shop.get("/v1/platforms/stoat")
    assert (below(), above()) == (0, 1)
    assert spent() == pytest.approx(0.3)


def test_connections_are_told_apart_by_what_they_do(nobody, app):
    pool = SimpleNamespace(standing=PoolStanding(size=7, most=9, in_use=5, waiting=3))
    app.extensions["bayledger"].read = SimpleNamespace(standing=Standing("", 0.0, 0), pool=pool)
    states = ("all", "most", "in-use", "waited-for")
    assert [value(nobody, "pool_connections", server="standby", state=one) for one in states] == [7, 9, 5, 3]


def test_addresses_and_methods_that_do_not_exist_are_counted_under_one_name(nobody, more):
    lost = more("requests_total", route="none", method="none", status="404")
    wrong = more("requests_total", route="none", method="none", status="405")
    nobody.get("/v1/no/such/address-7")
    nobody.get("/v1/another-8")
    nobody.raw("INVENTED", "/v1/platforms")
    assert (lost(), wrong()) == (2, 1)


def test_what_the_app_never_saw_is_counted_apart_from_what_it_gave_no_answer_to(app, more):
    unread = more("requests_total", route="unreadable", method="none", status="431")
    unanswered = more("requests_total", route="none", method="none", status="500")
    app.extensions["metrics"].not_seen(431, readable=False)
    app.extensions["metrics"].not_seen(500, readable=True)
    assert (unread(), unanswered()) == (1, 1)


def test_posts_are_counted_by_bay_and_what_was_posted_before_apart(shop, more):
    now, before = (
        more("posts_total", bay="north", kept="now"),
        more("posts_total", bay="north", kept="before"),
    )
    body = session([])
    assert shop.post("/v1/sessions", body).status_code == 201
    assert shop.post("/v1/sessions", body).status_code == 201
    assert (now(), before()) == (1, 1)


@pytest.mark.parametrize(
    ("reason", "change"),
    [
        ("time-in-the-future", {"started_at": "2190-01-01T00:00:00+00:00"}),
        ("document", {"colour": "red"}),
        ("unknown-vehicle", {"vehicle": "no-such-car"}),
    ],
)
def test_refused_posts_are_counted_by_the_check_or_the_cause(shop, more, reason, change):
    refused = more("refused_posts_total", reason=reason)
    assert shop.post("/v1/sessions", session([], **change)).status_code == 422
    assert refused() == 1


def test_posts_refused_at_the_door_are_counted_by_the_cause(nobody, reader, bay, more):
    unknown, other = (
        more("refused_posts_total", reason="no-token"),
        more("refused_posts_total", reason="not-allowed"),
    )
    broken = more("refused_posts_total", reason="not-json")
    nobody.post("/v1/sessions", session([]))
    reader.post("/v1/sessions", session([]))
    bay.raw("POST", "/v1/sessions", data="{", content_type="application/json")
    assert (unknown(), other(), broken()) == (1, 1, 1)


def test_a_post_refused_elsewhere_is_no_refused_session(shop, more):
    refused = more("refused_posts_total", reason="document")
    assert shop.post("/v1/parts", {}).status_code == 422
    assert refused() == 0


def test_ages_are_left_out_where_there_is_nothing_yet(nobody):
    names = {name for name, _ in samples(nobody)}
    unknown = {"bayledger_last_post_age_seconds", "bayledger_fit_age_seconds", "bayledger_backup_age_seconds"}
    assert not names & unknown
    assert value(nobody, "database_up") == 1


def test_the_last_post_and_the_newest_fit_have_an_age(shop, nobody, connection):
    assert shop.post("/v1/sessions", session([])).status_code == 201
    refit(connection)
    names = {name for name, _ in samples(nobody)}
    assert names >= {"bayledger_last_post_age_seconds", "bayledger_fit_age_seconds"}
    assert 0 <= value(nobody, "last_post_age_seconds") < 600
    assert 0 <= value(nobody, "fit_age_seconds") < 600


def test_each_bay_has_the_age_of_its_newest_session(shop, nobody, connection):
    made = shop.post("/v1/bays", {"slug": "south", "name": "South", "kind": "hub"})
    assert made.status_code == 201
    assert shop.post("/v1/sessions", session([])).status_code == 201
    ages = {labels: age for (name, labels), age in samples(nobody).items() if "bay_last_post" in name}
    assert list(ages) == [(("bay", "north"),)]  # nothing came from the other one
    assert 0 <= ages[("bay", "north"),] < 600


def test_where_there_never_was_a_backup_its_age_is_that_of_the_first_session(shop, nobody):
    assert shop.post("/v1/sessions", session([])).status_code == 201
    assert 0 <= value(nobody, "backup_age_seconds") < 600


def test_a_fit_says_what_it_rests_on_and_how_much_changed_since(shop, nobody, connection):
    assert shop.post("/v1/sessions", session([])).status_code == 201
    refit(connection)
    rests_on = value(nobody, "fit_cars"), value(nobody, "fit_setups")
    assert (*rests_on, value(nobody, "fit_cars_changed")) == (1, 1, 0)
    connection.execute(
        "INSERT INTO car_change (vehicle_id) SELECT vehicle_id FROM vehicle WHERE tag = 'car-a'"
    )
    assert value(nobody, "fit_cars_changed") == 1


def test_an_older_post_is_as_old_as_it_is(shop, nobody, connection, server):
    assert shop.post("/v1/sessions", session([])).status_code == 201
    row = connection.execute(
        "SELECT extract(epoch FROM clock_timestamp() - received_at) FROM session"
    ).fetchone()
    assert value(nobody, "last_post_age_seconds") == pytest.approx(float(row[0]), abs=5.0)


def test_no_label_carries_what_somebody_sent(shop, nobody):
    odd = "wanted-7x"
    shop.get(f"/v1/vehicles/{odd}")
    shop.get(f"/v1/search?q={odd}")
    shop.get(f"/{odd}")
    shop.raw(odd.upper(), "/v1/parts")
    shop.post("/v1/sessions", session([], vehicle=odd))
    shop.post("/v1/sessions", session([], bay=odd))
    shop.post("/v1/sessions", session([odd]))
    shop.post("/v1/sessions", session([], vehicle="car-a"), Idempotency_Key=odd)
    text = nobody.get("/metrics").text.lower()
    assert odd not in text
    assert "car-a" not in text


def from_afar(client: Client, **how: object) -> int:
    """The status of /metrics asked from another machine."""
    return client.raw("GET", "/metrics", environ_base=ELSEWHERE, **how).status_code


def test_from_another_machine_it_needs_a_token_that_reads(nobody, reader, admin):
    assert from_afar(nobody) == 401
    assert (from_afar(reader), from_afar(admin)) == (200, 200)


def test_a_token_that_posts_does_not_open_it(bay):
    assert from_afar(bay) == 403


def test_where_reading_is_open_it_is_open(admin, nobody):
    etag = admin.get("/v1/settings").headers["ETag"]
    assert admin.patch("/v1/settings", {"open_reading": True}, If_Match=etag).status_code == 200
    assert from_afar(nobody) == 200


@pytest.mark.parametrize("name", ["Forwarded", "X-Forwarded-For", "Via"])
def test_what_a_proxy_of_this_machine_passes_on_counts_as_from_afar(nobody, name):
    assert nobody.raw("GET", "/metrics", headers={name: "192.0.2.7"}).status_code == 401


def test_behind_tls_every_request_counts_as_from_afar(connection):
    app = create_app(
        Settings(database_url="", secret="test", behind_tls=True),
        connect=lambda: contextlib.nullcontext(connection),
    )
    token = new_token(connection, scope="read")
    assert Client(app.test_client(), None).get("/metrics").status_code == 401
    assert Client(app.test_client(), token).get("/metrics").status_code == 200


def test_it_is_read_while_the_database_is_away(tmp_path):
    @contextlib.contextmanager
    def connect():
        with psycopg.connect(f"host={tmp_path} dbname=bayledger", connect_timeout=1) as lent:
            yield lent

    client = Client(create_app(SETTINGS, connect=connect).test_client(), None)
    client.get("/v1/parts")
    assert value(client, "database_up") == 0
    assert value(client, "requests_total", route="/v1/parts", method="GET", status="503") == 1
