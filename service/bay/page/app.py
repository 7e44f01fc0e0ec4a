"""The page as a WSGI app."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import datetime
from http import HTTPStatus

from flask import Flask, render_template

from service.bay.clock import span
from service.bay.page import adding, attaching, choosing, leaving, marking
from service.bay.page.doors import Door, guard
from service.bay.page.fields import plain
from service.bay.page.memory import as_text
from service.bay.page.offers import Peak
from service.bay.page.station import Station
from service.domain.units import from_si, symbol

LARGEST_FORM = 256 * 1024
"""Forty files ticked are a few kB (our choice) [bytes]."""
WORDS = {
    HTTPStatus.BAD_REQUEST: "The browser sent something that cannot be read.",
    HTTPStatus.FORBIDDEN: "That was not sent by this page. Open the page anew and press there; nothing was done.",
    HTTPStatus.NOT_FOUND: "There is no such page here.",
    HTTPStatus.METHOD_NOT_ALLOWED: "That address only takes what its own page sends.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "That is more than a form of this page holds.",
    HTTPStatus.MISDIRECTED_REQUEST: (
        "This page is not known by the name in the address. On the bay's computer open http://127.0.0.1 with the port; "
        "from a tablet, the address that the program named when it was started."
    ),
    HTTPStatus.INTERNAL_SERVER_ERROR: (
        "The page stumbled; what was taken before is on the disk. Go back, and do this again."
    ),
}


def create_app(station: Station, door: Door | None = None) -> Flask:
    """The page of one bay. Without a door of its own it is for this machine only."""
    app = Flask(__name__)
    app.config.update(
        SECRET_KEY=secrets.token_bytes(32),
        MAX_CONTENT_LENGTH=LARGEST_FORM,
        MAX_FORM_MEMORY_SIZE=LARGEST_FORM,
        SESSION_COOKIE_NAME="bayledger-bay",
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_HTTPONLY=True,
    )
    app.extensions["station"] = station
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    guard(app, door or Door())
    for room in (choosing, adding, attaching, marking, leaving):
        app.register_blueprint(room.blueprint, name=room.blueprint.name)
    app.add_url_rule("/", "now", choosing.now)
    say_how_it_stands(app, station)
    for status, words in WORDS.items():
        app.register_error_handler(status.value, sorry(status, words))
    return app


def say_how_it_stands(app: Flask, station: Station) -> None:
    """What every page shows: what is not sent, the clock, trouble; and how figures are written."""
    units = station.settings.units

    @app.context_processor
    def everywhere() -> dict[str, object]:
        return {"bay": station.settings.bay, "units": units, "stands": leaving.stands(station)}

    def ago(at: datetime) -> str:
        return f"{span(max(0.0, (station.clock() - at).total_seconds()))} ago"

    def quantity(value: float, name: str) -> str:
        return f"{plain(round(from_si(value, name, units), 1))} {symbol(name, units)}"

    def at_peak(found: Peak, name: str) -> str:
        return f"{from_si(found.value, name, units):.0f} {symbol(name, units)}"

    app.jinja_env.filters.update(ago=ago, quantity=quantity, at_peak=at_peak, part=as_text)


def sorry(status: HTTPStatus, words: str) -> Callable[[Exception], tuple[str, int]]:
    """The page for a fault, in words."""

    def page(_: Exception) -> tuple[str, int]:
        return render_template("sorry.html", words=words), status.value

    return page
