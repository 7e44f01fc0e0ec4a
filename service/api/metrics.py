"""`/metrics`: what those who watch over the ledger read, in the Prometheus text format.

Counted at each request are its route (as the address map spells it), method, status and time; where a head could not be
read, so that the app never saw it, the status alone. A label never carries what somebody sent, except the slug of a bay
that the ledger knows. What is true of the ledger as a whole is asked of the database when somebody reads. Several serving
processes count into files of their own, which whoever is asked adds up.
"""

import ipaddress
import os
import threading
from collections.abc import Iterator
from time import perf_counter
from typing import TYPE_CHECKING, Any, Final

from flask import Blueprint, Flask, Response, current_app, g, request

from service.api.context import Ledger, authorised, ledger
from service.api.request_log import NO_ROUTE, POSTING, place_of
from service.store.db import Lender, PoolStanding
from service.store.standby import Standby
from service.store.watched import Watched, watched

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

SECONDS: Final = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
"""Bounds of the times told apart [s] (our choice: an answer takes some milliseconds, a first one of the model more)."""
POOLS_S: Final = 1.0
"""How often one of several processes says how its connections do (our choice)."""
DATABASE_S: Final = 1.0
"""How long a reading waits for the database (our choice)."""
FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
"""The variable by which prometheus-client knows of several processes."""
REASONS: Final = {
    400: "not-json",
    401: "no-token",
    403: "not-allowed",
    409: "conflict",
    411: "not-json",
    413: "too-large",
    415: "not-json",
    422: "document",
    429: "too-often",
    503: "unavailable",
}
"""Why a post was refused, where no check says so by its code."""
UNREADABLE: Final = "unreadable"
"""The route of what had no head that could be read."""
FORWARDED: Final = ("Forwarded", "X-Forwarded-For", "Via")

blueprint = Blueprint("metrics", __name__)


@blueprint.get("/metrics")
def show() -> Response:
    """All that is measured. Whoever asks from this very machine needs no token."""
    if not is_near():
        g.caller = authorised(("read",))
    meter: Meter = current_app.extensions["metrics"]
    return Response(meter.read(ledger()), content_type="text/plain; version=0.0.4; charset=utf-8")


def is_near() -> bool:
    """Whether the request comes from this machine, and through no proxy that speaks for others."""
    if current_app.config["BEHIND_TLS"] or any(name in request.headers for name in FORWARDED):
        return False
    try:
        return ipaddress.ip_address(request.remote_addr or "").is_loopback
    except ValueError:
        return False


def install(app: Flask, behind_tls: bool) -> None:
    """Measure every request of an app from here on, and let it be read."""
    app.config["BEHIND_TLS"] = behind_tls
    meter = app.extensions["metrics"] = Meter()
    app.after_request(meter.ends)
    app.register_blueprint(blueprint)


class Meter:
    """What one process has counted."""

    def __init__(self) -> None:
        # Whether it counts into memory or into files for several processes is decided when it is imported.
        from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

        own = self._own = CollectorRegistry()
        self._requests = Counter(
            "bayledger_requests",
            "Requests answered; a head that could not be read has the route unreadable.",
            ["route", "method", "status"],
            registry=own,
        )
        self._seconds = Histogram(
            "bayledger_request_seconds",
            "Time to make an answer.",
            ["route", "method"],
            buckets=SECONDS,
            registry=own,
        )
        self._posts = Counter(
            "bayledger_posts",
            "Sessions kept, or posted again and kept already.",
            ["bay", "kept"],
            registry=own,
        )
        self._refused = Counter(
            "bayledger_refused_posts",
            "Refused posts of sessions, by check or cause.",
            ["reason"],
            registry=own,
        )
        self._reads = Counter(
            "bayledger_answers_read", "Answers by the server they were read from.", ["server"], registry=own
        )
        self._again = Counter(
            "bayledger_answers_read_again", "Answers the standby failed and the primary gave.", registry=own
        )
        self._pool = Gauge(
            "bayledger_pool_connections",
            "Database connections: all, how many there may be, lent, and requests waiting for one.",
            ["server", "state"],
            registry=own,
            multiprocess_mode="livesum",
        )
        self._known: dict[tuple[str, str, int], tuple[Any, Any]] = {}
        self._telling: int | None = None

    def ends(self, response: Response) -> Response:
        """Its answer is made."""
        # Each look through the proxies costs as much as counting does.
        asked, about = request._get_current_object(), g._get_current_object()  # type: ignore[attr-defined]
        route, method = place_of(asked)
        key = (route, method, response.status_code)
        known = self._known.get(key)
        if known is None:
            counted = self._requests.labels(route, method, str(response.status_code))
            known = self._known[key] = (counted, self._seconds.labels(route, method))
        known[0].inc()
        known[1].observe(perf_counter() - about.began)
        if asked.endpoint == POSTING:
            self._posted(response)
        if "borrowed" in about and ledger().read is not None:
            self._read_from()
        return response

    def not_seen(self, status: int, readable: bool) -> None:
        """The web server answered by itself; nobody knows how long that took."""
        self._requests.labels(NO_ROUTE if readable else UNREADABLE, NO_ROUTE, str(status)).inc()

    def _posted(self, response: Response) -> None:
        """Count a post by what became of it."""
        if response.status_code < 400:
            kept = "before" if "Idempotency-Replayed" in response.headers else "now"
            self._posts.labels(g.body["bay"], kept).inc()
            return
        codes = {fault.code for fault in g.get("faults", ()) if fault.code}
        for reason in codes or {REASONS.get(response.status_code, "other")}:
            self._refused.labels(reason).inc()

    def _read_from(self) -> None:
        """Count an answer by where it was read."""
        self._reads.labels("primary" if g.borrowed is None else "standby").inc()
        if "read_again" in g:
            self._again.inc()

    def read(self, ledger: Ledger) -> bytes:
        """All that this process, and those beside it, have counted; and how the ledger does now."""
        from prometheus_client import CollectorRegistry, generate_latest
        from prometheus_client.multiprocess import MultiProcessCollector

        self._tell_pools(ledger)
        counted = self._own
        if FOLDER in os.environ:
            counted = CollectorRegistry()
            MultiProcessCollector(counted)
        return generate_latest(counted) + generate_latest(Now(ledger))

    def tell_pools(self, ledger: Ledger) -> None:
        """Say from now on how this process's connections do: whoever is asked cannot look into another process."""
        if self._telling == os.getpid():
            return
        self._telling = os.getpid()
        threading.Thread(target=self._keep_telling, args=(ledger,), name="pools", daemon=True).start()

    def _keep_telling(self, ledger: Ledger) -> None:
        pause = threading.Event()
        while not pause.wait(POOLS_S):
            self._tell_pools(ledger)

    def _tell_pools(self, ledger: Ledger) -> None:
        for server, pool in pools(ledger):
            self._pool.labels(server, "all").set(pool.size)
            self._pool.labels(server, "most").set(pool.most)
            self._pool.labels(server, "in-use").set(pool.in_use)
            self._pool.labels(server, "waited-for").set(pool.waiting)


def pools(ledger: Ledger) -> Iterator[tuple[str, PoolStanding]]:
    """How this process's connections to each server do."""
    if isinstance(ledger.connect, Lender):
        yield "primary", ledger.connect.standing
    if ledger.read is not None:
        yield "standby", ledger.read.pool.standing


class Now:
    """How the ledger does at this moment, for one reading; what is not known is left out."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def collect(self) -> "Iterator[Metric]":
        """The ledger's figures, then the bays' and the standby's."""
        from prometheus_client.metrics_core import GaugeMetricFamily

        found = looked_at(self._ledger)
        for name, words, value in [*of_ledger(found), *of_standby(self._ledger.read)]:
            if value is not None:
                yield GaugeMetricFamily(f"bayledger_{name}", words, value)
        of_bays = GaugeMetricFamily(
            "bayledger_bay_last_post_age_seconds",
            "Since a session last came in from a bay, whenever it was measured.",
            labels=["bay"],
        )
        for bay, age_s in ({} if found is None else found.bays_last_post_age_s).items():
            of_bays.add_metric([bay], age_s)
        yield of_bays


Figure = tuple[str, str, float | None]
"""A name, what it means, and its value."""


def looked_at(ledger: Ledger) -> Watched | None:
    """The ledger as its database tells it, None where that is away: the rest of what is measured can be read all the same."""
    connect = ledger.connect
    return watched(connect.within(DATABASE_S) if isinstance(connect, Lender) else connect)


def of_ledger(found: Watched | None) -> Iterator[Figure]:
    """Figures of the database."""
    yield "database_up", "Whether the database can be asked.", float(found is not None)
    if found is not None:
        yield "last_post_age_seconds", "Since the newest session came in.", found.last_post_age_s
        yield "fit_age_seconds", "Since the evidence of the model's newest fit was read.", found.fit_age_s
        yield "fit_cars", "Cars that the newest fit rests on.", found.fit_cars
        yield "fit_setups", "Setups that it rests on.", found.fit_setups
        yield "fit_cars_changed", "Cars that changed since its evidence was read.", found.cars_changed
        yield "cars", "Cars kept, as the database's statistics count them.", found.cars
        yield "setups", "Setups kept, counted so too.", found.setups
        yield "pulls", "Pulls kept, counted so too.", found.pulls
        yield "pairs", "Comparisons kept, counted so too.", found.pairs
        yield (
            "backup_age_seconds",
            "Since the moment of the last verified backup; where there never was one, since the first session came in.",
            found.backup_age_s,
        )
        yield "archives", "Archives that follow the log of changes.", found.archives


def of_standby(standby: Standby | None) -> Iterator[Figure]:
    """Figures of the standby, as this process last saw it."""
    if standby is not None:
        found = standby.standing
        yield "standby_used", "Whether answers are read from the standby.", float(found.used)
        yield "standby_lag_seconds", "Age of the oldest change that the standby lacks.", found.lag_s
        yield "standby_lag_bytes", "How much of the log of changes the standby lacks.", found.lag_bytes
