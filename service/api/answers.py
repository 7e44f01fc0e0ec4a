"""The answers over HTTP: typical gain, stock spread, what there is evidence for."""

import re
from collections.abc import Callable, Hashable, Sequence
from typing import Any, TypeVar

from flask import Response
from marshmallow import fields

from service.answers.gain_questions import gain_questions
from service.answers.model import ModelState
from service.answers.pairs_gain import Asked
from service.answers.standing import require_factor
from service.answers.stock_questions import stock_questions
from service.answers.stock_spread import StockAsked, stock_spread
from service.answers.typical_gain import typical_gain
from service.api.answering import csv_response, listed, no_such_page, wants_csv
from service.api.context import chosen_standard, chosen_units, ledger, needs, read_conn, shop
from service.api.modelled import (
    as_of,
    followed_model,
    kept_answer,
    measure_of,
    own_figure,
    question_document,
    require_known,
    version_of,
)
from service.api.wire import Blueprint
from service.domain.errors import Fault, NotFound, Refused
from service.schemas.answer_documents import GainAnswer, curve_columns, gain_document
from service.schemas.base import Document
from service.schemas.gain_questions import GainQuestions, said_document
from service.schemas.queries import EvidenceQuery, GainQuery, PageQuery, StockQuery
from service.schemas.spread_documents import StockAnswer, spread_document
from service.store import evidence, gain_facts
from service.store.nearest import not_known

Row = TypeVar("Row")

ROW_KB = 1.0
"""About what a kept row of the list of evidence takes in memory."""

blueprint = Blueprint("answers", __name__, description="What the shop's history says.")


@blueprint.get("/v1/typical-gain")
@needs("read")
@blueprint.arguments(GainQuery, location="query")
@blueprint.csv()
@blueprint.response(200, GainAnswer)
def get_typical_gain(query: dict[str, Any]) -> Response:
    """What a part typically gains on a platform, where in the rev range, how sure that is, and for what money."""
    about, asked, state = gain_asked(query)

    def document() -> dict[str, Any]:
        found = typical_gain(read_conn(), about, asked, shop(), ledger().answers.evidence, state)
        alone = {} if asked.model else {"model": False}
        question = question_document(
            about.platform, asked.measure, asked.standard, part=about.part, against=query["against"], **alone
        )
        return {"as_of": as_of(state), **gain_document(found, question, chosen_units(query))}

    if wants_csv():
        return curve_csv(document())
    return kept_answer(f"{about.version}|{version_of(state)}", document)


@blueprint.get("/v1/typical-gain/questions")
@needs("read")
@blueprint.arguments(GainQuery, location="query")
@blueprint.response(200, GainQuestions)
def get_gain_questions(query: dict[str, Any]) -> Response:
    """What customers ask about this gain, answered in sentences; asked like the gain itself."""
    about, asked, state = gain_asked({**query, "curve": True, "pairs": True})

    def document() -> dict[str, Any]:
        found = typical_gain(read_conn(), about, asked, shop(), ledger().answers.evidence, state)
        units = chosen_units(query)
        return {
            "units": units,
            "items": [said_document(said) for said in gain_questions(read_conn(), about, found, units)],
        }

    around = gain_facts.version_around(read_conn(), about.platform_id)
    return kept_answer(f"{about.version}|{around}|{version_of(state)}", document)


def gain_asked(query: dict[str, Any]) -> tuple[evidence.Question, Asked, ModelState | None]:
    """What a gain is asked about, how it is put, and the model as of now."""
    standard, measure = chosen_standard(query), measure_of(query)
    against = None if query["against"] == "without" else query["against"]
    with followed_model(query["model"]) as model:
        found = evidence.ask_question(read_conn(), query["platform"], query["part"], against)
    question, state = gain_question(found(), query["platform"], query["part"], against), model()
    require_factor(standard, question.platform, question.engine)
    asked = Asked(
        measure=measure,
        standard=standard,
        level=query["level"],
        baseline=own_figure(query["baseline"], measure, chosen_units(query)),
        context=query["context"],
        curve=query["curve"],
        pairs=query["pairs"],
        model=query["model"],
    )
    return question, asked, state


def gain_question(
    question: evidence.Question | None, platform: str, part: str, against: str | None
) -> evidence.Question:
    """The question's facts, or 404 naming what is unknown; 422 where the two parts share no slot."""
    if question is None:
        for kind, name in (("platform", platform), ("part", part), ("part", against)):
            require_known(kind, name)
        raise NotFound("question", f"{part} on {platform}")  # each name became known since it was looked up
    if part == against:
        words = f"{part} against itself is no question; ask against `without`, or another part of its slot"
        raise Refused(words, [Fault("", words, parameter="against")])
    if against is not None and not evidence.slots_shared(read_conn(), question.part_id, question.against_id):
        words = f"{part} and {against} share no slot, so one does not replace the other; ask for each against `without`"
        raise Refused(words, [Fault("", words, parameter="against")])
    return question


def curve_csv(document: dict[str, Any]) -> Response:
    """The curve of a gain, one row a knot."""
    columns = curve_columns(document["curve"])
    about = {**document["question"], "level": document["level"]}
    rows = ([*row, *about.values()] for row in zip(*columns.values(), strict=True))
    return csv_response([*columns, *about], rows)


@blueprint.get("/v1/platforms/<slug>/stock-spread")
@needs("read")
@blueprint.arguments(StockQuery, location="query")
@blueprint.csv()
@blueprint.response(200, StockAnswer)
def get_stock_spread(query: dict[str, Any], slug: str) -> Response:
    """Where stock cars of a platform lie, and where one value lands among them."""
    units, standard = chosen_units(query), chosen_standard(query)
    measure = measure_of(query)
    with followed_model() as model:
        found = evidence.ask_stock_question(read_conn(), slug)
    question, state = found(), model()
    if question is None:
        raise not_known(read_conn(), "platform", slug)
    require_factor(standard, question.slug, question.engine)
    asked = StockAsked(
        measure=measure,
        standard=standard,
        level=query["level"],
        value=own_figure(query["value"], measure, units),
        checked=query["checked"],
        raw=query["raw"],
    )

    def document() -> dict[str, Any]:
        about = question_document(question.slug, measure, standard, checked=asked.checked)
        found = stock_spread(read_conn(), question, asked, ledger().answers.evidence, state)
        questions = list(stock_questions(question, found, units))
        return {"as_of": as_of(state), **spread_document(found, about, questions, units)}

    if wants_csv():
        names = ("vehicle", "session", "value", "setups", "percentile", "raw", "group")
        made = document()
        about = made["question"]
        rows = [[*(row[name] for name in names), *about.values()] for row in made["values"]]
        return csv_response([*names, *about], rows)
    return kept_answer(f"{question.version}|{version_of(state)}", document)


class EvidenceDocument(Document):
    """How much is known about one question."""

    platform = fields.String(metadata={"description": "The platform's slug."})
    part = fields.String(metadata={"description": "The part's slug."})
    against = fields.String(metadata={"description": "`without`, or the part it took the place of."})
    cars = fields.Integer(metadata={"description": "Cars with a before/after pair that counts."})
    pairs = fields.Integer(metadata={"description": "Pairs that count; a car may have several."})
    first = fields.Date(metadata={"description": "The day of the first pair."})
    last = fields.Date(metadata={"description": "The day of the newest pair."})


@blueprint.get("/v1/evidence")
@needs("read")
@blueprint.arguments(EvidenceQuery, location="query")
@blueprint.page(EvidenceDocument, "A page, most cars first.")
def list_evidence(query: dict[str, Any]) -> Response:
    """Which questions have evidence, those with the most cars first."""
    rows = evidence_rows(query)
    items = [
        {
            "platform": row.platform,
            "part": row.part,
            "against": row.against or "without",
            "cars": row.cars,
            "pairs": row.pairs,
            "first": row.first.date().isoformat(),
            "last": row.last.date().isoformat(),
        }
        for row in rows
    ]
    last = rows[-1] if len(rows) == query["limit"] else None
    more = (
        None if last is None else f"{last.cars}~{last.pairs}~{last.platform}~{last.part}~{last.against or ''}"
    )
    return listed(items, last_key=more)


class StockEvidenceDocument(Document):
    """How many stock cars of a kind were measured."""

    platform = fields.String(metadata={"description": "The platform's slug."})
    name = fields.String(metadata={"description": "Its name."})
    stock_cars = fields.Integer(
        metadata={"description": "Cars of it that were measured stock, verified or declared, without doubts."}
    )
    last = fields.Date(
        allow_none=True,
        metadata={"description": "The day one was measured stock last; null = none ever was."},
    )


@blueprint.get("/v1/stock-evidence")
@needs("read")
@blueprint.arguments(PageQuery, location="query")
@blueprint.page(StockEvidenceDocument, "A page, fewest stock cars first.")
def list_stock_evidence(query: dict[str, Any]) -> Response:
    """How many stock cars of each kind were measured, the fewest first: which kinds lack them."""
    rows = stock_evidence_rows(stock_evidence_key(query["after"]), query["limit"])
    items = [
        {
            "platform": row.platform,
            "name": row.name,
            "stock_cars": row.stock_cars,
            "last": None if row.last is None else row.last.date().isoformat(),
        }
        for row in rows
    ]
    last = rows[-1] if len(rows) == query["limit"] else None
    return listed(items, last_key=None if last is None else f"{last.stock_cars}~{last.platform}")


def stock_evidence_rows(after: tuple[int, str] | None, limit: int) -> list[evidence.StockEvidenceRow]:
    """The asked page."""
    return kept_rows(
        ("stock list", after, limit),
        lambda: evidence.list_stock_evidence(read_conn(), after=after, limit=limit),
    )


def stock_evidence_key(text: str | None) -> tuple[int, str] | None:
    """The key of the last row of the page before."""
    if text is None:
        return None
    cars, _, platform = text.partition("~")
    if not re.fullmatch(r"[0-9]{1,15}", cars) or not platform:
        raise no_such_page()
    return int(cars), platform


def evidence_rows(query: dict[str, Any]) -> list[evidence.EvidenceRow]:
    """The asked page."""
    platform, part, after, limit = (
        query["platform"],
        query["part"],
        evidence_key(query["after"]),
        query["limit"],
    )
    return kept_rows(
        ("list", platform, part, after, limit),
        lambda: evidence.list_evidence(read_conn(), platform=platform, part=part, after=after, limit=limit),
    )


def kept_rows(asked: tuple[Hashable, ...], counted: Callable[[], list[Row]]) -> list[Row]:
    """A page for which everything is counted, kept until any evidence moves."""
    key = (*asked, evidence.version_of_all(read_conn()))
    return ledger().answers.evidence.get_or_make(key, counted, kb_of)


def kb_of(rows: Sequence[object]) -> float:
    """What keeping a page of the list takes [kB]."""
    return ROW_KB * (1 + len(rows))


def evidence_key(text: str | None) -> evidence.EvidenceKey | None:
    """The key of the last row of the page before."""
    if text is None:
        return None
    steps = text.split("~")
    if len(steps) != 5 or not all(re.fullmatch(r"[0-9]{1,15}", step) for step in steps[:2]):
        raise no_such_page()
    return int(steps[0]), int(steps[1]), steps[2], steps[3], steps[4]
