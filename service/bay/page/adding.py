"""A car that nobody has seen before: added to the ledger from the bay, with its kind."""

from __future__ import annotations

from http import HTTPStatus

import httpx
from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from service.bay.known import SLUG
from service.bay.page.choosing import here
from service.bay.page.nearest import nearest
from service.bay.page.station import Station
from service.bay.wire import document_of, in_words

blueprint = Blueprint("adding", __name__)


@blueprint.get("/add/<tag>")
def car(tag: str) -> ResponseReturnValue:
    """Which kind of car it is."""
    if not SLUG.fullmatch(tag):
        return redirect(url_for("choosing.car", q=tag))
    return add_page(here(), tag)


def add_page(station: Station, tag: str, fault: str | None = None, kind: str = "") -> ResponseReturnValue:
    """The form; with a fault it is answered as a car that was not added."""
    memory = station.memory
    page = render_template(
        "add.html",
        tag=tag,
        kinds=memory.names("kinds"),
        near=nearest(tag, memory.names("cars")),
        fault=fault,
        kind=kind,
    )
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if fault else page


@blueprint.post("/add/<tag>")
def add(tag: str) -> ResponseReturnValue:
    """Add it, where the ledger lets this bay."""
    station, kind = here(), request.form.get("kind", "")
    if not SLUG.fullmatch(tag):
        return redirect(url_for("choosing.car", q=tag))
    if not kind:
        return add_page(station, tag, "Choose the kind of car")
    body = {"tag": tag, "platform": kind} | ({"confirm": True} if request.form.get("sure") else {})
    try:
        answer = station.ledger.add_car(body)
    except httpx.RequestError as error:
        fault = f"The ledger does not answer ({in_words(error)}); the car can be measured all the same, and added later"
        return add_page(station, tag, fault, kind)
    if not answer.is_success:
        return add_page(station, tag, why_not(answer), kind)
    station.ledger.look()
    flash(f"{tag} is in the ledger now.")
    return redirect(url_for("choosing.setup", tag=tag))


def why_not(answer: httpx.Response) -> str:
    """Why the ledger did not add it, in words."""
    document = document_of(answer)
    if answer.status_code in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN):
        return (
            "The ledger does not let this bay add cars: have it added by whoever keeps the cars. It can be measured "
            "meanwhile; its session is sent once the ledger knows it"
        )
    faults = [str(one.get("detail")) for one in document.get("errors", [])]
    return "; ".join(faults) or str(document.get("detail") or f"it answered {answer.status_code}")
