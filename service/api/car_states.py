"""A car's states over time and its own readings over HTTP, and the mending of two setups taken for each other."""

from datetime import datetime
from typing import Any
from uuid import UUID

from flask import Response

from service.answers.car_levels import figures_of_states
from service.answers.own_readings import own_readings
from service.answers.own_standing import standing_among
from service.answers.own_words import sentences
from service.api.answering import json_response, listed, no_such_page
from service.api.context import caller, conn, needs, read_conn, shop, writing
from service.api.modelled import as_of, current_model, measure_of, question_document
from service.api.sessions import changeable, figures, session_response
from service.api.vehicles import own
from service.api.wire import Blueprint
from service.domain.errors import NotFound
from service.domain.resources import Platform, Vehicle
from service.ledger import marking
from service.schemas.car_states import (
    STATE_COLUMNS,
    CarStateDocument,
    OwnReadingsAnswer,
    StatesQuery,
    SwapDocument,
    own_document,
    state_document,
)
from service.schemas.queries import MeasureQuery
from service.schemas.session_documents import KeptSession
from service.store.car_states import StateKey, states_of_car
from service.store.platforms import get_platform

blueprint = Blueprint("car-states", __name__, description="A car's states over time.")


@blueprint.get("/v1/vehicles/<tag>/states")
@needs("read", "post")
@blueprint.arguments(StatesQuery, location="query")
@blueprint.page(CarStateDocument, "A page, newest first.", units=True)
def list_states(query: dict[str, Any], tag: str) -> Response:
    """List every setup of a car, newest first, with its figure and what was changed before it.

    A bay's token sees what its own bay posted, and the car's newest session.
    """
    vehicle, platform = car(tag)
    measure, show = measure_of(query), figures(query)
    rows = states_of_car(
        read_conn(),
        vehicle.vehicle_id,
        before=after_key(query["after"]),
        limit=query["limit"],
        bay=seen_bay(),
    )
    made = figures_of_states(
        read_conn(), rows, measure, show.standard, platform.as_engine(), current_model() if rows else None
    )
    more = None
    if len(rows) == query["limit"]:
        more = "~".join((rows[-1].at.isoformat(), str(rows[-1].session_id), str(rows[-1].n)))
    return listed(
        [state_document(one, measure.quantity, show.units) for one in made],
        last_key=more,
        units=show.units,
        columns=STATE_COLUMNS,
    )


@blueprint.get("/v1/vehicles/<tag>/own-readings")
@needs("read", "post")
@blueprint.arguments(MeasureQuery, location="query")
@blueprint.response(200, OwnReadingsAnswer)
def get_own_readings(query: dict[str, Any], tag: str) -> Response:
    """How a car reads now against its own earlier readings: down since when, and did it come back?"""
    vehicle, platform = car(tag)
    measure, show, state = measure_of(query), figures(query), current_model()
    answer = own_readings(
        read_conn(),
        vehicle.vehicle_id,
        measure,
        show.standard,
        platform.as_engine(),
        query["level"],
        state,
        shop(),
        seen_bay(),
    )
    standing = None
    if (
        state is not None and seen_bay() is None and answer.now is not None
    ):  # a bay's token sees its own bay only
        standing = standing_among(
            read_conn(), vehicle.vehicle_id, measure, show.standard, query["level"], state
        )
    return json_response(
        {
            "as_of": as_of(state),
            "question": question_document(vehicle.platform, measure, show.standard, vehicle=tag),
            "standard": show.standard,
            "vehicle": tag,
            "platform": vehicle.platform,
            **own_document(answer, measure.quantity, show.units),
            "says": sentences(answer, standing),
        }
    )


@blueprint.patch("/v1/sessions/<uuid:id>/setups")
@needs("post")
@blueprint.arguments(SwapDocument)
@blueprint.response(200, KeptSession)
def swap_setups(data: dict[str, Any], id: UUID) -> Response:
    """Swap the states of two setups that were taken for each other (If-Match): both change, or neither."""
    with writing() as connection:
        changeable(id)
        marking.swap_setups(connection, id, (data["setups"][0], data["setups"][1]), data["reason"], caller())
    return session_response(id, figures({}))


def car(tag: str) -> tuple[Vehicle, Platform]:
    """The car with its kind, or 404 naming the nearest."""
    vehicle = own(tag)
    platform = get_platform(conn(), vehicle.platform)
    if platform is None:
        raise NotFound("platform", vehicle.platform)
    return vehicle, platform


def seen_bay() -> str | None:
    """The bay a token of scope post is bound to; None where the caller sees all."""
    asking = caller()
    return asking.bay if asking.scope == "post" else None


def after_key(text: str | None) -> StateKey | None:
    """The key of the last state of the page before."""
    if text is None:
        return None
    at, _, rest = text.partition("~")
    session, _, n = rest.partition("~")
    try:
        moment, place = datetime.fromisoformat(at), (int(session), int(n))
    except ValueError:
        raise no_such_page() from None
    if moment.tzinfo is None or not (0 <= place[0] < 2**63 and 0 <= place[1] < 2**15):
        raise no_such_page()
    return moment, *place
