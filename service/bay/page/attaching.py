"""The machine's new files: which of them are pulls of the car on the rollers, and whether each counts."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from service.bay.files import why
from service.bay.handed import CannotTake, Missing
from service.bay.known import KEYS, Said, told_first
from service.bay.page import fields
from service.bay.page.choosing import air_now, here, typed_in, working
from service.bay.page.offers import Offer
from service.bay.page.station import Station
from service.bay.sidecar import said_beside

blueprint = Blueprint("attaching", __name__)
STATUSES = {"accepted": "Counts", "settling": "Settling", "rejected": "Rejected"}
REASONS = (
    "Wheel slip",
    "Aborted",
    "Wrong gear",
    "Too hot",
    "Misfire",
    "Strap or belt noise",
    "Wrong car or file",
)
"""Common practice, no source."""


@blueprint.get("/files")
def files() -> ResponseReturnValue:
    """What can be attached. A file that is still being written is not shown."""
    station = here()
    return files_page(station, {}, [offer.name for offer in station.offers.all() if offer.grew])


def files_page(
    station: Station, typed: Mapping[str, str], ticked: list[str], faults: dict[str, str] | None = None
) -> ResponseReturnValue:
    """The list; with faults it is answered as one of which something was not taken."""
    page = render_template(
        "files.html", offers=station.offers.all(), typed=typed, ticked=ticked, faults=faults or {}, air=air_now(station),
        work=working(station), folder=station.settings.watch, statuses=STATUSES, reasons=REASONS, engine=fields.ENGINE,
    )  # fmt: skip
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if faults else page


@blueprint.post("/files")
def attach() -> ResponseReturnValue:
    """Take the ticked files, the oldest first; one that cannot be taken stays, with why, and so does all typed."""
    station, typed = here(), typed_in(request.form)
    ticked = request.form.getlist("file")
    if step := request.form.get("step"):
        return files_page(station, *stepped(typed, step, station.settings.units, ticked))
    if hide := request.form.get("hide"):
        hidden(station, hide)
        return redirect(url_for("attaching.files"))
    work = working(station)
    if work is None:
        return files_page(
            station, typed, ticked, {"": "No car is on the rollers yet: choose the car, then attach"}
        )
    if not ticked:
        return files_page(station, typed, ticked, {"": "No file is ticked: tick the pulls of this car"})
    offers = {offer.name: offer for offer in station.offers.all()}
    faults = {
        name: f"{name}: is not offered any more; it was taken, moved, or is being written"
        for name in ticked
        if name not in offers
    }
    car = str(work.car["car"])
    for offer in offers.values():
        if offer.name in ticked and (fault := taken(station, offer, typed, car)) is not None:
            faults[offer.name] = fault
    if faults:
        return files_page(station, typed, [name for name in ticked if name in faults], faults)
    return redirect(url_for("now"))


def hidden(station: Station, name: str) -> None:
    """Show a file no more, nor another of the same content."""
    for offer in station.offers.all():
        if offer.name == name and not offer.pulls and offer.digest:
            station.memory.hide(offer.digest)
            station.offers.drop(name)
            flash(f"{name} is no pull, and is shown no more. It stays where it lies.")


def stepped(
    typed: dict[str, str], step: str, units: str, ticked: list[str]
) -> tuple[dict[str, str], list[str], dict[str, str]]:
    """The list after one press of + or − at `field:file±`."""
    key, sign = step[:-1], step[-1:]
    name, _, file = key.partition(":")
    values, faults = fields.pressed(fields.ENGINE, {name: typed.get(key, "")}, name + sign, units)
    return typed | {key: values[name]}, ticked, {file: faults[name]} if name in faults else {}


def taken(station: Station, offer: Offer, typed: Mapping[str, str], car: str) -> str | None:
    """Take one file; answers why not. A file's own sidecar counts before the page, as everywhere."""
    said, fault = said_of(offer.name, typed, station.settings.units)
    if fault is not None:
        return fault
    try:
        beside = said_beside(offer.path, station.settings.units)
        if beside.get("car", car) != car:
            return f"{offer.name}: its sidecar says that it is of {beside['car']}, not of {car}; mend the sidecar, or choose that car"
        result = station.desk.take(offer.path, told_first(beside, said, {"car": car}))
    except Missing as missing:
        words = "; ".join(KEYS[name].meaning for name in missing.names)
        return f"{offer.name}: not known yet: {words}. Say it under “What changed”"
    except CannotTake as error:
        return str(error)
    except OSError as error:
        return why(error)
    station.offers.attached(offer)
    if result.closed is not None:
        flash(f"Session {result.closed.sequence} is closed and will be sent: {result.why}.")
        station.send_now()
    if result.before:
        flash(f"{offer.name} was taken before; it is left out.")
    if result.grew:
        flash(f"{offer.name} grew: {'its pull was' if result.pulls == 1 else 'its pulls were'} taken anew.")
    for remark in result.remarks:
        flash(f"{offer.name}: {remark}.")
    if result.left_out:
        flash(f"{offer.name}: {len(result.left_out)} lines left out, the first: {result.left_out[0]}")
    return None


def said_of(name: str, typed: Mapping[str, str], units: str) -> tuple[Said, str | None]:
    """What was said of one file's pulls, and the first thing wrong with it."""
    status = typed.get(f"status:{name}", "accepted")
    if status not in STATUSES:
        return {}, f"{name}: status “{status}” must be one of {', '.join(STATUSES)}"
    own = {one.name: typed.get(f"{one.name}:{name}", "") for one in fields.ENGINE}
    said, faults = fields.read_all(fields.ENGINE, own, units)
    if status != "accepted":
        said["status"] = status
    if status == "rejected":
        reason = (typed.get(f"words:{name}", "") or typed.get(f"reason:{name}", "")).strip()
        if not reason:
            return said, f"{name}: rejected, and no reason chosen; choose one, or write it"
        said["reason"] = reason
    return said, next((f"{name}: {fault}" for fault in faults.values()), None)
