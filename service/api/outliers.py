"""What lies apart from the rest, over HTTP."""

from collections.abc import Iterator
from typing import Any

from flask import Response

from service.answers.behind import Worked
from service.answers.cautions import not_ready, unsearched
from service.answers.outliers import Outliers, OutliersAsked, Search, days_of_odd, outliers, searched
from service.answers.standing import require_factor
from service.api.answering import csv_response, flat, link_next, wants_csv
from service.api.context import chosen_standard, chosen_units, ledger, needs, read_conn
from service.api.modelled import (
    as_of,
    current_model,
    kept_answer,
    known_platform,
    measure_of,
    question_document,
    require_known,
    search_state,
    worked_version,
)
from service.api.wire import Blueprint
from service.domain.measures import Measure
from service.domain.odd_words import aside, opening
from service.domain.review_words import NOT_A_VERDICT
from service.schemas.model_queries import OutlierQuery
from service.schemas.odd_documents import COLUMNS, OutlierAnswer, outlier_document, outlier_row
from service.stats.history.outliers import FALSE_SHARE
from service.store.model_questions import find_platform

blueprint = Blueprint("outliers", __name__, description="What lies apart from the rest, and why.")
OTHER_MEASURE = (
    "Asked about another measure or standard than the model's own, only cars and single pulls are looked at; leave `measure` "
    "and `standard` out for gains, setups and bays too."
)


@blueprint.get("/v1/outliers")
@needs("read")
@blueprint.arguments(OutlierQuery, location="query")
@blueprint.csv()
@blueprint.response(200, OutlierAnswer)
def get_outliers(query: dict[str, Any]) -> Response:
    """Cars, gains, pulls and bays that lie apart from the rest, most surprising first, each with what may explain it."""
    units, standard = chosen_units(query), chosen_standard(query)
    measure = measure_of(query)
    require_names(query, standard)
    state = current_model()
    worked = None if state is None else searched(measure, standard, ledger().model, state)
    asked = OutliersAsked(measure, standard, query["platform"], query["bay"], query["since"])
    if wants_csv():
        found = look(asked, worked)
        rows = [outlier_row(one) for one in documents(found, query, worked, measure, units)]
        response = csv_response(COLUMNS, [[flat(row[name]) for name in COLUMNS] for row in rows])
        return linked(response, found, query)

    def document() -> dict[str, Any]:
        found = look(asked, worked)
        about = question_document(
            query["platform"],
            measure,
            standard,
            bay=query["bay"],
            since=query["since"] and query["since"].isoformat(),
        )
        return {
            "as_of": as_of(None if worked is None else worked.state),
            "search": search_state(worked),
            "question": {**about, "units": units},
            "units": units,
            "standard": standard,
            "measure": measure.name,
            "false_alarm_rate": found.false_share,
            "said": unsearched(state, worked) or opening(found.found, found.looked_at, found.nothing_since),
            "said_beside": aside(found.found, found.looked_at, found.false_share),
            "looked_at": dict(found.looked_at),
            "found": dict(found.found),
            "items": documents(found, query, worked, measure, units),
            "cautions": [*not_ready(state, worked), *cautions_of(found)],
        }

    return linked(kept_answer(worked_version(state, worked), document), look(asked, worked), query)


def require_names(query: dict[str, Any], standard: str) -> None:
    """404 for an unknown platform or bay; 422 where the platform's figures cannot be had in the standard."""
    if query["platform"] is not None:
        platform = known_platform(find_platform(read_conn(), query["platform"]), query["platform"])
        require_factor(standard, platform.slug, platform.engine)
    require_known("bay", query["bay"])


def look(asked: OutliersAsked, worked: Worked[Search] | None) -> Outliers:
    """What lies apart; nothing where nothing was searched yet."""
    return Outliers((), {}, FALSE_SHARE) if worked is None else outliers(read_conn(), asked, worked)


def documents(
    found: Outliers, query: dict[str, Any], worked: Worked[Search] | None, measure: Measure, units: str
) -> list[dict[str, Any]]:
    """The asked page of them, each with its bay's day."""
    page = found.odd[query["after"] : query["after"] + query["limit"]]
    days = [] if worked is None else days_of_odd(read_conn(), worked.state, page)
    return [
        outlier_document(one, measure.name, measure.quantity, units, day)
        for one, day in zip(page, days, strict=True)
    ]


def linked(response: Response, found: Outliers, query: dict[str, Any]) -> Response:
    """The answer with the address of the page after it, where there is one."""
    end = query["after"] + query["limit"]
    if end < len(found.odd):
        link_next(response, end)
    return response


def cautions_of(found: Outliers) -> Iterator[str]:
    """What must be said beside the list."""
    if found.looked_at and "gains" not in found.looked_at:
        yield OTHER_MEASURE
    yield NOT_A_VERDICT
