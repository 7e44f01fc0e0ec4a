"""What a view needs of its surroundings: a connection, the caller, the shop's settings, the clock."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import wraps
from typing import ParamSpec, TypeVar

from flask import current_app, g, request
from werkzeug.datastructures import WWWAuthenticate
from werkzeug.exceptions import Forbidden, Unauthorized

from service.answers.cache import AnswerCache
from service.answers.model import Live
from service.domain.resources import Caller
from service.domain.shop import Shop, shop_of
from service.store import settings as setting_store
from service.store import tokens
from service.store.db import Connect, Connection, Lender

P = ParamSpec("P")
R = TypeVar("R")

REALM = "bayledger"
ANYONE = Caller("anyone", "read")


@dataclass(slots=True)
class Ledger:
    """What the app lends its views: `connect` a connection for a while, `read` one of a hot standby if there is one;
    `vin_key` hashes VINs; `model` is the history model."""

    connect: Connect
    vin_key: bytes
    read: Connect | None = None
    shop: Shop | None = None
    answers: AnswerCache = field(default_factory=AnswerCache)
    model: Live = field(init=False)

    def __post_init__(self) -> None:
        """The model is read where answers are."""
        self.model = Live(self.read or self.connect)

    def close(self) -> None:
        """Give the pools' connections back; for the end of a process."""
        for lender in (self.connect, self.read):
            if isinstance(lender, Lender):
                lender.close()


def ledger() -> Ledger:
    """The running app's ledger."""
    lent: Ledger = current_app.extensions["bayledger"]
    return lent


def conn() -> Connection:
    """This request's connection, lent at its first use and given back at its end."""
    return lent_once("conn", ledger().connect)


def read_conn() -> Connection:
    """This request's connection for an answer's reads: the standby's where there is one."""
    read = ledger().read
    return conn() if read is None else lent_once("read_conn", read)


def lent_once(name: str, connect: Connect) -> Connection:
    """The connection this request holds under a name, lent now if it holds none."""
    if name not in g:
        lent = connect()
        setattr(g, name, lent.__enter__())
        g.setdefault("lent", []).append(lent)
    connection: Connection = g.get(name)
    return connection


def give_back(_: BaseException | None = None) -> None:
    """Return the request's connections."""
    for lent in g.pop("lent", []):
        lent.__exit__(None, None, None)
    for name in ("conn", "read_conn"):
        g.pop(name, None)


@contextmanager
def writing() -> Iterator[Connection]:
    """One transaction: all of what happens inside, or none of it."""
    connection = conn()
    with connection.transaction():
        yield connection


def now() -> datetime:
    """The server's clock."""
    return datetime.now(UTC)


def shop() -> Shop:
    """The settings in force, read again only when their version has moved."""
    if "shop" not in g:
        held = ledger().shop
        version = g.settings_version if "settings_version" in g else setting_store.settings_version(conn())
        if held is None or held.version != version:
            rows = setting_store.current_settings(conn())
            held = shop_of(version, [(row.name, row.bay, row.value) for row in rows])
            ledger().shop = held
        g.shop = held
    current: Shop = g.shop
    return current


def caller() -> Caller:
    """Who is asking, as `needs` found it."""
    asking: Caller = g.caller
    return asking


def needs(*scopes: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """The view runs for these scopes (admin may do everything); `read` is open to all where the shop says so."""

    def decorate(view: Callable[P, R]) -> Callable[P, R]:
        @wraps(view)
        def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
            g.caller = authorised(scopes)
            return view(*args, **kwargs)

        guarded._scopes = scopes  # type: ignore[attr-defined]
        return guarded

    return decorate


def authorised(scopes: tuple[str, ...]) -> Caller:
    """The caller, or 401 (no or bad token) or 403 (a token of another scope)."""
    token = bearer_token()
    if token is None:
        if "read" in scopes and shop()["open_reading"]:
            return ANYONE
        raise unauthorised(
            f"this needs a token of scope {' or '.join(scopes)}: send Authorization: Bearer <token>"
        )
    found, g.settings_version = tokens.find_caller(conn(), token)
    if found is None:
        raise unauthorised(
            "this token is unknown, expired or revoked; ask the shop's admin for another", "invalid_token"
        )
    if found.scope != "admin" and found.scope not in scopes:
        raise Forbidden(
            f"this needs scope {' or '.join(scopes)}; the token '{found.name}' has scope {found.scope}"
        )
    return found


def bearer_token() -> str | None:
    """The token of the Authorization header (RFC 6750), or None where there is no header."""
    header = request.headers.get("Authorization")
    if header is None:
        return None
    kind, _, token = header.partition(" ")
    if kind.lower() != "bearer" or not token.strip():
        raise unauthorised("the Authorization header must read: Bearer <token>", "invalid_request")
    return token.strip()


class Challenge(WWWAuthenticate):
    """Werkzeug leaves out quotes where it can; a realm must have them (RFC 9110 section 11.5)."""

    def to_header(self) -> str:
        """The value of WWW-Authenticate."""
        return "Bearer " + ", ".join(f'{name}="{value}"' for name, value in self.parameters.items())


def unauthorised(detail: str, error: str | None = None) -> Unauthorized:
    """401 with the challenge that RFC 6750 asks for."""
    values: dict[str, str | None] = {"realm": REALM}
    if error:
        values["error"] = error
    return Unauthorized(detail, www_authenticate=Challenge("bearer", values))
