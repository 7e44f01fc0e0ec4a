"""Which car, how it stood last, what changed, and the air: all that is said before the pulls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

from flask import Blueprint, current_app, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from service.bay.files import why
from service.bay.handed import CannotTake, Missing
from service.bay.known import KEYS, SLUG, NotUnderstood, Said, part, understood
from service.bay.names import unknown_names
from service.bay.page import fields
from service.bay.page.memory import Setup, as_text
from service.bay.page.nearest import nearest
from service.bay.page.station import Station
from service.bay.weather import is_fixed, not_said_again, standing, taken_back_in_words
from service.bay.work import Work, still_known
from service.domain.correction import STANDARDS
from service.tables.records import AIR

blueprint = Blueprint("choosing", __name__)
MOST_CARS = 24
"""As many as are found with a thumb; more are found by their letters (our choice)."""
FACTS = (*fields.CAR, *fields.STATE)
NOT_CARRIED = ("operator", "label", "ethanol", "stock_checked")
"""Of the last visit, and never offered again: another person, another tank, and a look that was another day's."""


def here() -> Station:
    """The bay that is served."""
    found: Station = current_app.extensions["station"]
    return found


@dataclass
class Form:
    """A form as it stands: what is typed in it, and what is wrong with it."""

    typed: dict[str, str]
    parts: list[str] = field(default_factory=list)
    fitted: list[str] = field(default_factory=list)
    faults: dict[str, str] = field(default_factory=dict)
    near: list[str] = field(default_factory=list)


def now() -> ResponseReturnValue:
    """How it stands: the car in work and its pulls, or that there is none."""
    station = here()
    return render_template(
        "now.html", work=working(station), air=air_now(station), outcome=station.heard.last
    )


def working(station: Station) -> Work | None:
    """The session in work; none where the desk is in trouble, which the page shows at its head."""
    try:
        return station.desk.work()
    except (CannotTake, OSError):
        return None


def air_now(station: Station) -> Mapping[str, Any]:
    """What a pull of this moment would be given: what was said, else the weather's, and whose word it is."""
    work = working(station)
    told = {name: work.remembered[name] for name in AIR if name in work.remembered} if work else {}
    fixed = is_fixed(station.settings)
    aired = standing(station.settings, station.air(station.clock()), work)
    return {
        "told": told,
        "weather": aired.said,
        "is_fixed": fixed,
        "source": "fixed in the settings" if fixed else "weather file",
        "why_not": aired.why_not,
        "last": not_said_again(station.desk.air_said_last(), work, aired),
    }


@blueprint.get("/car")
def car() -> ResponseReturnValue:
    """Cars to choose from: the last ones here, and by their letters any that the ledger named."""
    station, letters = here(), request.args.get("q", "").strip().lower()
    recent = station.memory.cars()
    known = dict.fromkeys([*recent, *station.memory.names("cars")])
    tags = [tag for tag in known if tag.startswith(letters)] if letters else recent
    if letters:
        tags = list(dict.fromkeys([*tags, *station.ledger.cars_like(letters)]))
    is_known, near = letters in tags, [] if letters in tags else nearest(letters, list(known))
    tags = list(dict.fromkeys([*tags, *near]))
    fault = None
    if letters and not SLUG.fullmatch(letters):
        fault = f"Tag: “{letters}” is no tag; one is 1 to 64 of a–z, 0–9 and -, as stoat-014"
    return render_template(
        "car.html", letters=letters, tags=tags[:MOST_CARS], more=len(tags) - MOST_CARS, fault=fault,
        is_new=bool(letters) and fault is None and not is_known, near=near,
    )  # fmt: skip


@blueprint.get("/setup/<tag>")
def setup(tag: str) -> ResponseReturnValue:
    """The car as it stood last, to be looked over and changed."""
    if not SLUG.fullmatch(tag):
        return redirect(url_for("choosing.car", q=tag))
    station = here()
    work, last = working(station), station.ledger.last_setup(tag)
    if work is not None and work.car.get("car") == tag:
        said: Said = {**work.car, **(work.states[-1].said if work.states else {}), **work.remembered}
        last = None
    else:
        said = {} if last is None else {k: v for k, v in last.said.items() if k not in NOT_CARRIED}
    fitted = [as_text(one) for one in said.get("parts", [])]
    typed = fields.shown_all(FACTS, said, station.settings.units)
    typed |= {name: str(said.get(name, "")) for name in (*fields.CHOICES, "basis")}
    return setup_page(station, tag, Form(typed, list(fitted), fitted), last)


def setup_page(station: Station, tag: str, form: Form, last: Setup | None = None) -> ResponseReturnValue:
    """The form; with faults it is answered as one that was not kept."""
    work = working(station)
    same = work is not None and work.car.get("car") == tag
    page = render_template(
        "setup.html", tag=tag, form=form, last=last, work=work, same=same, car=fields.CAR, state=fields.STATE,
        choices=fields.CHOICES, known=station.memory.names("parts"), asks_basis=not station.basis_known(),
        standards=STANDARDS, offered=sorted({*form.fitted, *form.parts, *form.near, *station.memory.parts_seen()}),
        reached=station.ledger.answers,
    )  # fmt: skip
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if form.faults else page


@blueprint.post("/setup/<tag>")
def keep_setup(tag: str) -> ResponseReturnValue:
    """Keep how the car stands now; one press of + or −, or one part more, only shows the form again."""
    station, units = here(), here().settings.units
    form = Form(typed_in(request.form), request.form.getlist("parts"), request.form.getlist("was"))
    if step := request.form.get("step"):
        form.typed, form.faults = fields.pressed(FACTS, form.typed, step, units)
        return setup_page(station, tag, form)
    another = form.typed.pop("another", "").strip()
    if another and not add_part(form, another, station.memory.names("parts")):
        return setup_page(station, tag, form)
    if request.form.get("do") == "add":
        return setup_page(station, tag, form)
    said, form.faults = said_in(tag, form, units)
    work, anew, forget = working(station), bool(request.form.get("anew")), list[fields.Field]()
    if work is not None and work.car.get("car") == tag:
        still = still_known(work, said, station.clock())
        if "label" not in still and said.get("label") == work.remembered.get("label"):
            said.pop("label", None)  # words of the state that was
        forget = fields.emptied(said, still and {**work.car, **still}, FACTS)
    if not form.faults:
        form.faults = kept(station, said, forget, anew=anew)
    if form.faults:
        return setup_page(station, tag, form)
    return redirect(url_for("now"))


def typed_in(form: Mapping[str, str]) -> dict[str, str]:
    """The single fields of a form as they were typed."""
    return {name: value for name, value in form.items() if name not in ("parts", "was", "do", "step", "anew")}


def add_part(form: Form, another: str, known: Sequence[str]) -> bool:
    """Tick one more part; a name that can be none stays where it was typed, with what is wrong. So does one that is not
    among the ledger's, the first time: pressed again, it counts, for a part that is being added just now."""
    try:
        named = as_text(part(another))
    except ValueError as error:
        form.typed["another"] = another
        form.faults["another"] = f"Another part: “{another}” {error}, with its slot as slug:slot"
        return False
    slug = named.partition(":")[0]
    if known and slug not in known and form.typed.get("unknown") != named:
        near = nearest(slug, list(known))
        form.typed |= {"another": another, "unknown": named}
        form.near = near
        words = f"; nearest: {', '.join(near)}" if near else ""
        form.faults["another"] = (
            f"Another part: “{slug}” is not known{words}. Choose the right one, or have it added by whoever keeps the "
            "parts; press again, and it is ticked all the same"
        )
        return False
    form.parts = list(dict.fromkeys([*form.parts, named]))
    return True


def said_in(tag: str, form: Form, units: str) -> tuple[Said, dict[str, str]]:
    """What the form says, in SI, and every fault by its field."""
    said, faults = fields.read_all(FACTS, form.typed, units)
    said |= {"car": tag, "parts": [part(one) for one in form.parts if SLUG.fullmatch(one.partition(":")[0])]}
    for name in (*fields.CHOICES, "basis"):
        if form.typed.get(name):
            try:
                said |= understood({name: form.typed[name]}, name.replace("_", " "), units)
            except NotUnderstood as error:
                faults[name] = str(error)
    if "octane_method" in said and "octane" not in said and "octane" not in faults:
        del said["octane_method"]
    return said, faults


def kept(station: Station, said: Said, forget: Sequence[fields.Field], *, anew: bool) -> dict[str, str]:
    """Say it to the desk, take back what stands empty now, and show what the ledger does not know of it; answers what
    stood in the way."""
    try:
        taken = station.desk.say(said, forget=[field.name for field in forget], anew=anew)
        if taken.work is not None:
            station.memory.keep(taken.work)
    except Missing as missing:
        return {name: f"{KEYS[name].meaning}: not known yet; say it here" for name in missing.names}
    except CannotTake as error:
        return {"": str(error)}
    except OSError as error:
        return {"": why(error)}
    if taken.closed is not None:
        flash(f"Session {taken.closed.sequence} is closed and will be sent: {taken.why}.")
        station.send_now()
    if forget:
        flash(taken_back_in_words(station.settings, {field.name: field.label for field in forget}))
    if station.ledger.answers:
        for words in unknown_names(station.sender.address, said):
            flash(f"Careful: {words}. Unless the ledger knows it by then, the session will be refused.")
    return {}


@blueprint.get("/air")
def air() -> ResponseReturnValue:
    """The air in the bay as it was said of this car; filled in with what was said last only where that is asked for."""
    station = here()
    now = air_now(station)
    last = now["last"] if request.args.get("fill") == "last" else {}
    said = now["told"] | {name: one.value for name, one in last.items()}
    return air_page(station, Form(fields.shown_all(fields.AIR, said, station.settings.units)))


def air_page(station: Station, form: Form) -> ResponseReturnValue:
    """The form; with faults it is answered as one that was not kept."""
    page = render_template(
        "air.html", form=form, fields=fields.AIR, air=air_now(station), work=working(station)
    )
    return (page, HTTPStatus.UNPROCESSABLE_ENTITY) if form.faults else page


@blueprint.post("/air")
def keep_air() -> ResponseReturnValue:
    """Keep the air for the pulls to come; empty fields are left to the weather file, or not known."""
    station, units = here(), here().settings.units
    form = Form(typed_in(request.form))
    if step := request.form.get("step"):
        form.typed, form.faults = fields.pressed(fields.AIR, form.typed, step, units)
        return air_page(station, form)
    said, form.faults = fields.read_all(fields.AIR, form.typed, units)
    if "humidity" in said and "dew_point" in said:
        form.faults["dew_point"] = "Dew point: give it or the humidity, not both; empty one of the two"
    work = working(station)
    if work is None:
        form.faults[""] = (
            "No car is on the rollers yet: choose the car first; what stands here is kept until you leave"
        )
    elif not form.faults:
        forget = fields.emptied(said, moist(work.remembered, said), fields.AIR)
        form.faults = kept(station, {"car": work.car["car"], **said}, forget, anew=False)
    return air_page(station, form) if form.faults else redirect(url_for("now"))


def moist(before: Mapping[str, Any], said: Said) -> Mapping[str, Any]:
    """What was said before; humidity and dew point are one thing, of which either replaces the other."""
    if "humidity" in said or "dew_point" in said:
        return {name: value for name, value in before.items() if name not in ("humidity", "dew_point")}
    return before
