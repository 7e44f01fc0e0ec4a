"""The car comes off: the session is closed and sent. What is not sent yet, and what the ledger would not take."""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Blueprint, flash, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from service.bay.files import why
from service.bay.handed import CannotTake
from service.bay.known import SLUG
from service.bay.page.choosing import here, working
from service.bay.page.offers import Offer
from service.bay.page.station import Station
from service.bay.spool import Entry, parts_of
from service.bay.wire import NotNow

blueprint = Blueprint("leaving", __name__)


def stands(station: Station) -> dict[str, Any]:
    """What every page says at its head."""
    spool, skew = station.desk.spool, station.skew
    return {
        "unsent": len(spool.waiting()),
        "refused": len(spool.refused()),
        "why_not": station.heard.why_not or (None if station.ledger.answers else station.ledger.why_not),
        "answers": station.ledger.answers,
        "clock": skew.in_words() if skew is not None and skew.is_off else None,
        "trouble": station.trouble,
        "files": len(readable(station.offers.all())),
    }


def readable(offers: list[Offer]) -> list[Offer]:
    """Files with a pull in them: a letter that lies in the folder is nothing forgotten."""
    return [offer for offer in offers if offer.pulls]


def car_of(body: bytes) -> str:
    """Whose session it is."""
    return str(json.loads(body).get("vehicle"))


@blueprint.get("/state")
def state() -> ResponseReturnValue:
    """The same for the page's script."""
    return jsonify(stands(here()))


@blueprint.get("/off")
def off() -> ResponseReturnValue:
    """What will be closed, to be looked over once."""
    return render_template("off.html", work=working(here()), fault=None, offers=readable(here().offers.all()))


@blueprint.post("/off")
def close() -> ResponseReturnValue:
    """Close the session in work: it lies on the disk when this is answered, and is sent as the line allows."""
    station = here()
    try:
        work = station.desk.work()
        if work is not None:
            station.memory.keep(work)
        if work is not None and request.form.get("session") != work.id:
            fault = "Another session is in work than the one shown; look it over, and press again"
            return render_template("off.html", work=work, fault=fault, offers=[]), HTTPStatus.CONFLICT
        closed = station.desk.close()
    except (CannotTake, OSError) as error:
        fault = why(error) if isinstance(error, OSError) else str(error)
        page = render_template("off.html", work=working(station), fault=fault, offers=[])
        return page, HTTPStatus.SERVICE_UNAVAILABLE
    if closed is None:
        flash("Nothing was measured, so nothing is sent.")
    else:
        flash(
            f"Session {closed.sequence} is closed and on the disk; it is sent as soon as the ledger answers."
        )
        station.send_now()
    return redirect(url_for("now"))


@blueprint.post("/send")
def send() -> ResponseReturnValue:
    """Try at once."""
    here().send_now()
    flash("Trying to send now.")
    return redirect(url_for("leaving.unsent"))


@blueprint.get("/unsent")
def unsent() -> ResponseReturnValue:
    """What waits, and what was refused with the ledger's reason in words."""
    return unsent_page(here(), {})


def unsent_page(station: Station, faults: dict[str, str], typed: str = "") -> ResponseReturnValue:
    """The list; `faults` by the session's id."""
    spool = station.desk.spool
    page = render_template(
        "unsent.html", waiting=spool.waiting(), faults=faults, typed=typed,
        known=station.memory.names("parts"),
        refused=[(one, spool.why(one), car_of(spool.body(one)), parts_of(spool.body(one))) for one in spool.refused()],
    )  # fmt: skip
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if faults else page


@blueprint.post("/unsent/<id>")
def again(id: str) -> ResponseReturnValue:
    """Send a refused session again, of another car where its tag was wrong, with other parts where theirs were; or give it up, which keeps it."""
    station, tag = here(), request.form.get("car", "").strip().lower()
    entry = next((one for one in station.desk.spool.refused() if one.id == id), None)
    if entry is None:
        flash("That session is not among the refused ones any more.")
        return redirect(url_for("leaving.unsent"))
    if tag and not SLUG.fullmatch(tag):
        fault = f"Tag: “{tag}” is no tag; one is 1 to 64 of a–z, 0–9 and -; leave it empty where it was right"
        return unsent_page(station, {id: fault}, tag)
    names = {
        name: request.form.get(f"part:{name}", "").strip().lower()
        for name in parts_of(station.desk.spool.body(entry))
    }
    names = {name: right for name, right in names.items() if right and right != name}
    for right in names.values():
        if not SLUG.fullmatch(right):
            fault = f"Part: “{right}” is no part; one is 1 to 64 of a–z, 0–9 and -; leave it empty where it was right"
            return unsent_page(station, {id: fault}, tag)
    try:
        moved(station, entry, tag or None, names, give_up=request.form.get("do") == "drop")
    except (NotNow, CannotTake) as error:
        return unsent_page(station, {id: f"{error}; press again in a moment"}, tag)
    except OSError as error:
        return unsent_page(station, {id: why(error)}, tag)
    return redirect(url_for("leaving.unsent"))


def moved(
    station: Station, entry: Entry, car: str | None, parts: Mapping[str, str], *, give_up: bool
) -> None:
    """Out of the refused ones. Raises NotNow where the sender holds the spool, OSError."""
    with station.sender.holding():
        if give_up:
            station.desk.spool.drop(entry)
        else:
            station.desk.spool.retry(entry, car, parts)
    if not give_up:
        station.send_now()
        flash(f"Session {entry.sequence} is sent again.")
        return
    names = station.desk.forget_files(entry.id)
    for name in names:
        station.offers.offer_again(name)
    flash(
        f"Session {entry.sequence} is given up and kept aside; its files can be attached again: {', '.join(names)}."
    )
