"""What a view needs of its surroundings: a connection, the caller, the shop's settings, the clock."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from flask import current_app, g, request
from werkzeug.datastructures import WWWAuthenticate
from werkzeug.exceptions import Forbidden, Unauthorized

from service.answers.cache import AnswerCache
from service.answers.knots import knots_first
from service.answers.model import Live
from service.api.rates import Rates
from service.domain.resources import Caller
from service.domain.shop import Shop
from service.store import settings as setting_store
from service.store import tokens
from service.store.db import Connect, Connection, Lender
from service.store.standby import Standby, StandbyConnection, position_now

P = ParamSpec("P")
R = TypeVar("R")

REALM = "bayledger"
WRITING = ("POST", "PATCH")
ANYONE = Caller("anyone", "read")


@dataclass(slots=True)
class Ledger:
    """What the app lends its views: `connect` a connection for a while, `read` the hot standby if there is one;
    `vin_key` hashes VINs; `model` is the history model, `rates` how often somebody may try or write."""

    connect: Connect
    vin_key: bytes
    read: Standby | None = None
    shop: Shop | None = None
    answers: AnswerCache = field(default_factory=AnswerCache)
    rates: Rates = field(default_factory=Rates)
    model: Live = field(init=False)

    def __post_init__(self) -> None:
        """The model is read where answers are."""
        self.model = self.new_model()
        if self.read is not None:
            self.read.begin_anew = self.begin_anew

    def begin_anew(self) -> None:
        """Forget all that was read of the ledger."""
        self.shop, self.answers, self.model = None, AnswerCache(), self.new_model()

    def new_model(self) -> Live:
        """A model that has read nothing yet."""
        return Live(self.read or self.connect, knots_first)

    def warm(self) -> None:
        """Begin to read a large history in; where that cannot be, the first question does."""
        with suppress(Exception), self.connect() as connection:
            self.model.begin(connection, setting_store.shop_in_force(connection)["standard"])

    def close(self) -> None:
        """Give the pools' connections back; for the end of a process."""
        for lender in (self.read, self.connect):
            if isinstance(lender, Standby | Lender):
                lender.close()


def ledger() -> Ledger:
    """The running app's ledger."""
    lent: Ledger = current_app.extensions["bayledger"]
    return lent


def conn() -> Connection:
    """This request's connection, lent at its first use and given back at its end."""
    if "conn" not in g:
        g.lent = ledger().connect()
        g.conn = g.lent.__enter__()
    connection: Connection = g.conn
    return connection


def read_conn() -> Connection:
    """This request's connection for an answer's reads: the standby's, where there is one that has seen all that was kept
    before the request came."""
    if "read_conn" not in g:
        read = ledger().read
        g.borrowed = None if read is None or "read_again" in g else read.borrow(position())
        g.read_conn = conn() if g.borrowed is None else g.borrowed
    connection: Connection = g.read_conn
    return connection


def position() -> int | None:
    """How far the primary was when the request came; `authorised` asked that by the way."""
    if "position" not in g:
        g.position = position_now(conn())
    found: int | None = g.position
    return found


def reads_again(error: Exception) -> bool:
    """Whether a request was failed by the standby; its next `read_conn` is the primary's then."""
    lent: StandbyConnection | None = g.get("borrowed")
    read = ledger().read
    if lent is None or read is None or request.method not in ("GET", "HEAD") or not read.failed(lent, error):
        return False
    give_read_back()
    g.read_again = True
    return True


def give_read_back() -> None:
    """Return what was borrowed of the standby."""
    lent, read = g.pop("borrowed", None), ledger().read
    if lent is not None and read is not None:
        read.give_back(lent)
    g.pop("read_conn", None)


def give_back(_: BaseException | None = None) -> None:
    """Return the request's connections."""
    if "read_conn" in g:
        give_read_back()
    if "conn" in g:
        del g.conn
        g.pop("lent").__exit__(None, None, None)


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
        if "settings_version" not in g:
            g.settings_version, g.position = setting_store.version_and_position(conn(), positioned())
        version = g.settings_version
        if held is None or held.version != version:
            held = setting_store.shop_in_force(conn(), version)
            ledger().shop = held
        g.shop = held
    current: Shop = g.shop
    return current


def chosen_units(sent: Mapping[str, Any]) -> str:
    """The units of a question or a document: its own, else the shop's."""
    units: str = sent["units"] or shop()["units"]
    return units


def chosen_standard(query: Mapping[str, Any]) -> str:
    """The standard of an answer: as asked, else the shop's."""
    standard: str = query["standard"] or shop()["standard"]
    return standard


def positioned() -> bool:
    """Whether it matters how far the primary is."""
    return ledger().read is not None


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
            try:
                return view(*args, **kwargs)
            except Exception as error:
                if not reads_again(error):
                    raise
            return view(*args, **kwargs)

        guarded._scopes = scopes  # type: ignore[attr-defined]
        return guarded

    return decorate


def authorised(scopes: tuple[str, ...]) -> Caller:
    """The caller, or 401 (no or bad token), 403 (a token of another scope) or 429 (too often)."""
    token = bearer_token()
    if token is None:
        if "read" in scopes and shop()["open_reading"]:
            return ANYONE
        raise unauthorised(
            f"this needs a token of scope {' or '.join(scopes)}: send Authorization: Bearer <token>"
        )
    rates, address = ledger().rates, request.remote_addr or ""
    rates.may_try(address, token)
    found, g.settings_version, g.position = tokens.find_caller(conn(), token, positioned())
    if found is None:
        rates.was_wrong(address, token)
        raise unauthorised(
            "this token is unknown, expired or revoked; ask the shop's admin for another", "invalid_token"
        )
    g.caller = found  # also where it may not do this: the log says who tried
    rates.was_good(token)
    if found.scope != "admin" and found.scope not in scopes:
        raise Forbidden(
            f"this needs scope {' or '.join(scopes)}; the token '{found.name}' has scope {found.scope}"
        )
    if found.scope == "post" and request.method in WRITING:
        rates.writes(found.token_id)
    if request.method in WRITING:
        give_back()  # its body may be long in coming, and holds no connection meanwhile
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
