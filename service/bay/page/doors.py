"""Who may use the page: only from this machine, unless a PIN is set; and nothing is done for another page's sake."""

from __future__ import annotations

import hmac
import ipaddress
import threading
import time
from dataclasses import dataclass, field
from http import HTTPStatus
from urllib.parse import urlsplit

from flask import Flask, Response, abort, redirect, render_template, request, session, url_for
from flask.typing import ResponseReturnValue

from service.bay.addresses import THIS_MACHINE

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # not `no-referrer`: a browser then hides the origin of a form as well, by which we tell our own pages from others
    "Referrer-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
}
SHORTEST_PIN = 6
TRIES = 5
LOCKED_S = 60.0
"""Five wrong PINs, then a minute's rest: a million PINs last for months (our choice)."""


@dataclass
class Door:
    """`pin`: None where only this machine may come in. `name`: by which others call this machine."""

    pin: str | None = None
    name: str = "127.0.0.1"
    wrong: list[float] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def knows_host(self, host: str) -> bool:
        """Whether the page may be called by this name. Another site's name that was bent to this machine is not known;
        a bare IP address cannot be bent."""
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        if name in THIS_MACHINE or self.pin is None:
            return name in THIS_MACHINE
        return name == self.name.lower() or is_address(name)

    def opens(self, pin: str) -> bool | None:
        """Whether this is the PIN; None while nobody may try."""
        assert self.pin is not None
        with self._lock:
            now = time.monotonic()
            self.wrong = [at for at in self.wrong if now - at < LOCKED_S]
            if len(self.wrong) >= TRIES:
                return None
            if hmac.compare_digest(pin.encode(), self.pin.encode()):
                return True
            self.wrong.append(now)
            return False


def is_address(name: str) -> bool:
    """Whether it is an IP address."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def guard(app: Flask, door: Door) -> None:
    """Set the door before every page."""

    @app.before_request
    def refuse_strangers() -> ResponseReturnValue | None:
        if not door.knows_host(request.host):
            abort(HTTPStatus.MISDIRECTED_REQUEST)
        if request.method == "POST" and not from_here():
            abort(HTTPStatus.FORBIDDEN)
        if door.pin is not None and not session.get("in") and request.endpoint not in ("pin", "static"):
            return redirect(url_for("pin"))
        return None

    @app.after_request
    def with_headers(response: Response) -> Response:
        response.headers.update(SECURITY_HEADERS)
        return response

    if door.pin is not None:
        app.add_url_rule("/pin", "pin", lambda: ask_pin(door), methods=["GET", "POST"])


def from_here() -> bool:
    """Whether one of our own pages sent this form: a browser says so itself, and no page can make it say otherwise."""
    origin = request.headers.get("Origin") or request.headers.get("Referer", "")
    said = urlsplit(origin)
    return said.scheme in ("http", "https") and said.netloc == request.host


def ask_pin(door: Door) -> ResponseReturnValue:
    """The PIN: until the browser is closed, or the page is started anew."""
    if request.method == "GET":
        return render_template("pin.html", fault=None)
    opens = door.opens(request.form.get("pin", ""))
    if opens:
        session["in"] = True
        return redirect(url_for("now"))
    fault = (
        f"PIN: too many wrong ones; wait {LOCKED_S:.0f} seconds"
        if opens is None
        else "PIN: that is not it; it stands in the file that --pin-file named when the page was started"
    )
    return render_template("pin.html", fault=fault), HTTPStatus.FORBIDDEN
