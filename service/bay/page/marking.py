"""A pull that was taken, seen to be bad after all: marked with one press, as long as its session is in work."""

from __future__ import annotations

from http import HTTPStatus

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from service.bay.files import why
from service.bay.handed import CannotTake
from service.bay.known import NotUnderstood, understood
from service.bay.mending import Mark
from service.bay.page.attaching import REASONS, STATUSES
from service.bay.page.choosing import here, working
from service.bay.page.station import Station

blueprint = Blueprint("marking", __name__)


@blueprint.get("/pull/<session>/<int:number>")
def pull(session: str, number: int) -> ResponseReturnValue:
    """One pull of the session in work, and what can be said of it."""
    return pull_page(here(), session, number)


def pull_page(
    station: Station, session: str, number: int, fault: str | None = None, typed: str = ""
) -> ResponseReturnValue:
    """The page; with a fault it is answered as a mark that was not kept."""
    work = working(station)
    if work is None or work.id != session or not 1 <= number <= len(work.runs):
        flash("That pull is not of the session in work any more.")
        return redirect(url_for("now"))
    page = render_template(
        "pull.html",
        work=work,
        number=number,
        run=work.runs[number - 1],
        reasons=REASONS,
        fault=fault,
        typed=typed,
    )
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if fault else page


@blueprint.post("/pull/<session>/<int:number>")
def mark(session: str, number: int) -> ResponseReturnValue:
    """Mark it: a reason pressed or typed rejects it, `status` says that it settles or counts."""
    station, status = here(), request.form.get("status", "rejected")
    if request.form.get("do") == "take-out":
        return taken_out(station, session, number)
    reason = (request.form.get("reason") or request.form.get("words", "")).strip()
    if status not in STATUSES:
        return pull_page(station, session, number, f"“{status}” must be one of {', '.join(STATUSES)}", reason)
    if status == "rejected" and not reason:
        return pull_page(station, session, number, "Rejected, and no reason: press one, or write it")
    try:
        said = understood(
            {"status": status} | ({"reason": reason} if reason else {}), "reason", station.settings.units
        )
    except NotUnderstood as error:
        return pull_page(station, session, number, str(error), reason)
    try:
        station.desk.mark(str(number), Mark(status, said.get("reason")), session=session)
    except CannotTake as error:
        return pull_page(station, session, number, str(error), reason)
    except OSError as error:
        return pull_page(station, session, number, why(error), reason)
    flash(f"Pull {number}: {STATUSES[status].lower()}{f': {reason}' if status == 'rejected' else ''}.")
    return redirect(url_for("now"))


def taken_out(station: Station, session: str, number: int) -> ResponseReturnValue:
    """Its file is not this car's: it leaves the session, and can be attached again with other words."""
    try:
        file = station.desk.take_out(str(number), session=session)
    except CannotTake as error:
        return pull_page(station, session, number, str(error))
    except OSError as error:
        return pull_page(station, session, number, why(error))
    station.offers.offer_again(file)
    station.look()
    flash(f"{file} is taken out of this session, and can be attached again.")
    return redirect(url_for("now"))
