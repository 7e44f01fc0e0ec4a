"""The wiring: one Flask app over a way to connect."""

import ipaddress
import socket
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from apispec.ext.marshmallow import MarshmallowPlugin
from flask import Flask, Response, request, send_from_directory
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import MisdirectedRequest, NotFound, UnprocessableEntity
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.routing import BaseConverter
from werkzeug.wsgi import host_is_trusted

from service.api import coding, context, metrics, problems, request_log
from service.api.answering import unless_known
from service.api.problems import shortened
from service.api.resources import BLUEPRINTS
from service.api.wire import Api, api_document, schema_name
from service.settings import Settings, kept_secret
from service.store.db import Connect, Lender
from service.store.standby import Standby

SITE = Path(__file__).resolve().parent.parent / "dashboard" / "site"
LOCALHOST = "localhost"

API_DESCRIPTION = """\
The results ledger of a shop that runs chassis dynamometers: bays post what they measured, and the ledger answers what a
part typically gains on a kind of car, how sure that is, and on which cars it rests.

**Before you rely on a number.** A running dynamometer can maim and kill: straps, rotating parts, heat, exhaust gas, noise.
Only trained people belong in the bay. Emissions, noise, safety: a modified car may be unlawful on public roads; local law
and inspection rules decide, ask the authority. Figures are wheel figures from this shop's machines under stated
conditions; they are no promise for another car. A car that reads low needs a qualified person's look, not a verdict from a
number. Whoever shows these figures to others shows these cautions with them.

**Units.** A document names its unit system in `units`; an answer takes the one asked for, else the shop's setting.

| `units` | power | torque | temperature | pressure | tyre pressure |
|---|---|---|---|---|---|
| `si` | kW | N·m | °C | kPa | kPa |
| `us` | hp of 550 ft·lbf/s | lbf·ft | °F | inHg at 0 °C | psi |
| `ps` | metric horsepower (PS) of 75 kgf·m/s | N·m | °C | hPa | bar |

Speeds are rpm, shares (humidity, ethanol, throttle, a level) 0..1, and what is in percent says `_percent`. A name may
carry its unit: `displacement_l` is litres, `odometer_km` kilometres, `altitude_m` metres, `labour_hours` hours. Times
carry their offset from UTC (RFC 3339).

**Who may do what.** `Authorization: Bearer <token>`. A token of scope `post` belongs to one bay, posts and amends for
it and reads what posting needs; `read` reads; `admin` may do everything. Reading needs no token where the shop's setting
`open_reading` is on. `bayledger token create` makes tokens.

**Posting once.** A POST that makes something takes an `Idempotency-Key`: the same key with the same body is answered
with the first answer and `Idempotency-Replayed: true`, with another body it is refused (422). A session is known by its
content besides: posted twice, it is kept once. What is refused leaves nothing behind.

**Changing.** GET answers an `ETag`; PATCH sends it back in `If-Match` (428 without, 412 where somebody else was
faster). A field left out of a PATCH stays as it was. GET with `If-None-Match` is answered 304 where nothing changed. An
`ETag` that a proxy has weakened (`W/`) will do for that, and not for a change (428).

**Pages.** A list is `{"items": [...]}` of at most `limit`; where there is more, `Link: <...>; rel="next"` leads on.

**Errors** are problem documents (RFC 9457): every fault of a request at once, each with its `pointer` into the body or
its `parameter`, the value that was sent and the way out.

**CSV.** Lists, curves and answers also come as CSV (RFC 4180): `Accept: text/csv`.
"""

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def create_app(settings: Settings, connect: Connect | None = None) -> Flask:
    """The service as a WSGI app. `connect` lends a connection; without it a pool on the settings' database does."""
    app = Flask("bayledger", static_folder=None)
    app.config.update(
        MAX_CONTENT_LENGTH=settings.max_body_bytes,
        PROPAGATE_EXCEPTIONS=False,
        API_TITLE="Bayledger",
        API_VERSION="v1",
        OPENAPI_VERSION="3.1.0",
        API_SPEC_OPTIONS={
            "components": {"securitySchemes": {"bearer": {"type": "http", "scheme": "bearer"}}},
            "security": [{"bearer": []}],
            "info": {"description": API_DESCRIPTION},
        },
    )
    app.extensions["bayledger"] = ledger_of(settings, connect)
    problems.install(app)
    request_log.install(app)
    metrics.install(app, settings.behind_tls)
    coding.install(app)
    app.before_request(refuse_names_but(known_names(settings)))
    app.before_request(refuse_null_bytes)
    app.before_request(refuse_unread_parameters)
    app.teardown_request(context.give_back)
    app.after_request(unless_known)  # before it is compressed: the last that was entered comes first
    app.after_request(add_security_headers)
    api = Api(app, spec_kwargs={"marshmallow_plugin": MarshmallowPlugin(schema_name_resolver=schema_name)})
    for blueprint in BLUEPRINTS:
        api.register_blueprint(blueprint)
    serve_documents(app, api)
    if settings.behind_tls:
        # The last address in X-Forwarded-For is what the proxy itself saw; limits for each address go by it.
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=1, x_proto=0)  # type: ignore[method-assign]
    return app


def ledger_of(settings: Settings, connect: Connect | None) -> context.Ledger:
    """What the views are lent; answers are read from the hot standby, where one is given."""
    size, key = settings.threads + 2, kept_secret(settings).encode()
    if connect is not None:
        return context.Ledger(connect, key)
    primary = Lender(settings.database_url, size)
    if not settings.read_database_url:
        return context.Ledger(primary, key)
    standby = Standby(settings.read_database_url, primary, size, settings.read_max_lag_s)
    return context.Ledger(primary, key, standby)


def add_security_headers(response: Response) -> Response:
    """What a browser may do with our pages: nothing from elsewhere, nothing inline."""
    sent = response.headers
    for name, value in SECURITY_HEADERS.items():
        if name not in sent:
            sent.add(name, value)
    return response


def known_names(settings: Settings) -> frozenset[str] | None:
    """The names by which the ledger is asked, besides its addresses; None for any.

    Without TLS only this machine reaches it. Over TLS a browser speaks to it by a name in the certificate alone.
    """
    if settings.names:
        return frozenset({LOCALHOST, *settings.names.lower().split()})
    if settings.behind_tls or settings.tls_cert:
        return None
    return frozenset({LOCALHOST, socket.gethostname().lower()})


def refuse_names_but(known: frozenset[str] | None) -> Callable[[], None]:
    """A page from elsewhere whose name was bent to our address (DNS rebinding) reads what its name answers: so nothing is
    answered by a foreign name. An address cannot be bent; what sends no name is no browser."""

    def refuse() -> None:
        host = request.headers.get("Host")
        if known is None or host is None or host_is_trusted(host.lower(), known) or is_address(host):
            return
        raise MisdirectedRequest(
            f"this ledger is not known by the name '{shortened(host)}'; ask it by its address, or by a name given in "
            "BAYLEDGER_NAMES, the setting of its server that lists them"
        )

    return refuse


def is_address(host: str) -> bool:
    """Whether a Host header names an IP address."""
    try:
        ipaddress.ip_address(urlsplit(f"//{host}").hostname or "")
    except ValueError:
        return False
    return host_is_trusted(host)


def refuse_null_bytes() -> None:
    """No address of ours holds a null byte, and the database takes none."""
    if "\x00" in request.path:
        raise NotFound


def refuse_unread_parameters() -> None:
    """A write reads its body and nothing else: a parameter or condition it would not heed must not look heeded."""
    if request.method not in ("POST", "PATCH"):
        return
    if request.args:
        name = next(iter(request.args))
        raise UnprocessableEntity(
            f"'{name}' in the address is not read here; say it in the body, or leave it out"
        )
    if request.if_none_match:
        raise UnprocessableEntity(
            "If-None-Match is heeded where something is read; what is changed is held against If-Match"
        )


class SiteFile(BaseConverter):
    """A path of the dashboard: anything outside `/v1/`, so that a wrong address there stays the API's to answer."""

    regex = r"(?!v1(?:/|$)).+"
    part_isolating = False


def serve_documents(app: Flask, api: Api) -> None:
    """The OpenAPI document, its readable form, and the dashboard's static files."""
    app.url_map.converters["site_file"] = SiteFile
    document = api_document(api)

    @app.get("/v1/openapi.json")
    def openapi() -> ResponseReturnValue:
        response = Response(document, content_type="application/json")
        response.add_etag()
        return response

    @app.get("/v1/docs")
    def readable() -> ResponseReturnValue:
        return site_file("vendor/docs/docs.html")

    @app.get("/")
    def front() -> ResponseReturnValue:
        return site_file("index.html")

    @app.get("/<site_file:name>")
    def page(name: str) -> ResponseReturnValue:
        try:
            return site_file(name)
        except NotFound:
            if not wants_html():
                raise
            return lost_page()


def wants_html() -> bool:
    """Whether a person's browser asks: it names HTML, which a program's `*/*` does not."""
    return any(kind == "text/html" and quality > 0 for kind, quality in request.accept_mimetypes)


def lost_page() -> Response:
    """The page for an address at which there is none; without a build, 404 as a problem."""
    response = send_from_directory(SITE, "404.html", conditional=False, etag=False, max_age=None)
    response.status_code = 404
    response.cache_control.no_cache = True
    response.vary.add("Accept")
    return response


def site_file(name: str) -> Response:
    """A file of the dashboard's build, or 404; asked about again at every use, so that a new build shows at once.

    Whether it is known is found out where it is of every answer: Flask's own conditions refuse any `If-Match: *`.
    """
    response = send_from_directory(SITE, name, conditional=False, etag=True, max_age=None)
    response.cache_control.no_cache = True
    return response
