"""The history model in use, and how the bays agree, over HTTP."""

import time
from datetime import timedelta
from itertools import islice
from typing import Any

from flask import Response

from service.answers.bay_agreement import agreed, nothing_yet
from service.answers.bay_days import EPOCH, Asked, DayShown, bay_named, days_with_posts, shown_days
from service.answers.cautions import NO_MODEL, not_ready, unsearched
from service.answers.model import ModelState
from service.answers.model_report import model_report
from service.api import bays
from service.api.answering import csv_response, flat, json_response, link_next, wants_csv
from service.api.context import caller, conn, ledger, needs, read_conn
from service.api.modelled import (
    as_of,
    current_model,
    kept_answer,
    search_state,
    version_of,
    worked_version,
)
from service.api.wire import Blueprint
from service.domain.errors import Unavailable
from service.schemas.bay_documents import (
    BAY_COLUMNS,
    DAY_COLUMNS,
    AgreementAnswer,
    BayDaysAnswer,
    agreement_document,
    bay_row,
    day_document,
)
from service.schemas.model_queries import AgreementQuery, DaysQuery, RefitDocument
from service.schemas.shop_documents import ModelAnswer, RefitAnswer, model_document
from service.stats.history.bay_days import CALLED_OFF
from service.store.fits import ask_refit, is_granted

blueprint = Blueprint("model", __name__, description="The history model, and how far the bays agree.")
LOOK_S = 0.25
"""How often it is looked whether a wish was granted (our choice)."""
LONGEST_WAIT_S = 60.0
"""A wait ends before the web server takes a silent request for hung (our choice)."""


@blueprint.get("/v1/model")
@needs("read")
@blueprint.response(200, ModelAnswer)
def get_model() -> Response:
    """The fit in use: when and from how much it was made, what readings differ by, what was trusted less."""
    return json_response(model_document(model_report(current_model())), etag="model")


@blueprint.post("/v1/model/refit")
@needs("admin")
@blueprint.arguments(RefitDocument)
@blueprint.alt_response(
    202, schema=RefitAnswer, success=True, description="Asked for; it is done in the background."
)
@blueprint.alt_response(503, "SERVICE_UNAVAILABLE")
@blueprint.response(200, RefitAnswer, description="Done; answered only where `wait` was asked.")
def post_refit(data: dict[str, Any]) -> Response:
    """Ask for the variances to be estimated anew from all that is posted; the worker does it."""
    wish = ask_refit(conn(), caller().name)
    body = {"status": "asked", "asked_at": wish.asked_at.isoformat()}
    if not data["wait"]:
        return json_response(body, 202)
    until = time.monotonic() + LONGEST_WAIT_S
    while not is_granted(conn(), wish.wish_id):
        if time.monotonic() > until:
            raise Unavailable(
                "the model was not estimated yet; it is asked for and will be done when a worker runs (bayledger serve, or "
                "bayledger refit); GET /v1/model says when"
            )
        time.sleep(LOOK_S)
    return json_response({**body, "status": "done"})


@blueprint.get("/v1/bay-agreement")
@needs("read")
@blueprint.arguments(AgreementQuery, location="query")
@blueprint.csv()
@blueprint.response(200, AgreementAnswer)
def get_bay_agreement(query: dict[str, Any]) -> Response:
    """How far the bays agree: offsets, noise, drift, unrecorded steps, and the check car."""
    state, level = current_model(), query["level"]
    worked = None if state is None else agreed(level, ledger().model, state)

    def document() -> dict[str, Any]:
        found = nothing_yet(level) if worked is None else worked.give(read_conn())
        shown = agreement_document(found)
        return {
            "as_of": as_of(None if worked is None else worked.state),
            "search": search_state(worked),
            **shown,
            "said": unsearched(state, worked) or shown["said"],
            "cautions": [*not_ready(state, worked), *found.cautions],
        }

    if wants_csv():
        rows = [bay_row(bay) for bay in document()["items"]]
        return csv_response(BAY_COLUMNS, [[flat(row[name]) for name in BAY_COLUMNS] for row in rows])
    return kept_answer(worked_version(state, worked), document)


@blueprint.get("/v1/bays/<slug>/days")
@needs("read")
@blueprint.arguments(DaysQuery, location="query")
@blueprint.csv()
@blueprint.response(200, BayDaysAnswer)
def get_bay_days(query: dict[str, Any], slug: str) -> Response:
    """Is it the car or the bay? Each day's cars against what all other days let expect of them, newest day first."""
    bay, state = bays.found(slug), current_model()
    days, more = page_of_days(state, bay.slug, query)

    def shown() -> list[dict[str, Any]]:
        return [day_document(day) for day in read_days(state, bay.slug, days)]

    def document() -> dict[str, Any]:
        return {
            "as_of": as_of(state),
            "bay": bay.slug,
            "name": bay.name,
            "false_alarm_rate": CALLED_OFF,
            "items": shown(),
            "cautions": [NO_MODEL] if state is None else [],
        }

    if wants_csv():
        response = csv_response(DAY_COLUMNS, [[flat(row[name]) for name in DAY_COLUMNS] for row in shown()])
    else:
        response = kept_answer(f"{version_of(state)}|{bay.version}", document)
    if more:
        link_next(response, (EPOCH + timedelta(days=days[-1])).isoformat())
    return response


def page_of_days(state: ModelState | None, slug: str, query: dict[str, Any]) -> tuple[list[int], bool]:
    """The asked days of a bay [days since 1970-01-01], newest first, and whether there are more."""
    bay = None if state is None else bay_named(state, slug)
    if state is None or bay is None:
        return [], False
    last = None if query["after"] is None else (query["after"] - EPOCH).days
    only = None if query["day"] is None else (query["day"] - EPOCH).days
    wanted = (
        day
        for day in days_with_posts(state, bay)
        if (last is None or day < last) and (only is None or day == only)
    )
    found = list(islice(wanted, query["limit"] + 1))
    return found[: query["limit"]], len(found) > query["limit"]


def read_days(state: ModelState | None, slug: str, days: list[int]) -> list[DayShown]:
    """These days of a bay."""
    bay = None if state is None else bay_named(state, slug)
    if state is None or bay is None:
        return []
    return shown_days(read_conn(), state, [Asked(bay, day) for day in days])
