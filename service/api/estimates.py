"""What parts do together, and which part is worth its money, over HTTP."""

from collections.abc import Sequence
from itertools import combinations
from typing import Any

from flask import Response

from service.answers.build_estimate import BuildAsked, build_estimate
from service.answers.model import ModelState
from service.answers.part_choice import ChoiceAsked, part_choice
from service.answers.standing import require_factor
from service.api.answering import csv_response, flat, wants_csv
from service.api.context import chosen_standard, chosen_units, needs, read_conn, shop
from service.api.modelled import (
    as_of,
    followed_model,
    kept_answer,
    known_platform,
    measure_of,
    own_figure,
    question_document,
    require_known,
    version_of,
)
from service.api.wire import Blueprint
from service.domain.errors import Fault, Refused
from service.schemas.build_documents import BuildAnswer, ChoiceAnswer, build_document, choice_document
from service.schemas.model_queries import BuildQuery, ChoiceQuery
from service.store.model_questions import PlatformAsked, PricedPart, find_platform, priced_parts
from service.store.nearest import not_known
from service.store.parts import own_slug

blueprint = Blueprint(
    "estimates", __name__, description="What parts do together, and which is worth its money."
)


@blueprint.get("/v1/build-estimate")
@needs("read")
@blueprint.arguments(BuildQuery, location="query")
@blueprint.csv()
@blueprint.response(200, BuildAnswer)
def get_build_estimate(query: dict[str, Any]) -> Response:
    """What several parts do together on a platform, from the whole history, and what each contributes."""
    units, standard = chosen_units(query), chosen_standard(query)
    measure = measure_of(query)
    with followed_model() as model:
        platform = find_platform(read_conn(), query["platform"])
        parts = priced_parts(read_conn(), query["parts"])
    state = model()
    platform = known_platform(platform, query["platform"])
    parts = in_order(parts, query["parts"])
    refuse_shared_slots(parts, "parts")
    require_factor(standard, platform.slug, platform.engine)
    asked = BuildAsked(measure, standard, query["level"], own_figure(query["baseline"], measure, units))

    def document() -> dict[str, Any]:
        about = question_document(platform.slug, measure, standard, parts=[part.slug for part in parts])
        found = build_estimate(read_conn(), platform, parts, asked, shop(), state)
        return {"as_of": as_of(state), **build_document(found, about, units)}

    if wants_csv():
        return rows_csv(document(), "parts")
    return kept_answer(version_of_parts(platform, parts, state), document)


@blueprint.get("/v1/platforms/<slug>/part-choice")
@needs("read")
@blueprint.arguments(ChoiceQuery, location="query")
@blueprint.csv()
@blueprint.response(200, ChoiceAnswer)
def get_part_choice(query: dict[str, Any], slug: str) -> Response:
    """Which part gives most for its money on a platform, beside what a car has already."""
    units, standard = chosen_units(query), chosen_standard(query)
    measure = measure_of(query)
    with followed_model() as model:
        platform = find_platform(read_conn(), slug)
        parts = priced_parts(read_conn())
    state = model()
    platform = known_platform(platform, slug)
    require_known("slot", query["slot"])
    fitted = in_order(parts, query["fitted"] or ())
    refuse_shared_slots(fitted, "fitted")
    require_factor(standard, platform.slug, platform.engine)
    asked = ChoiceAsked(
        measure,
        standard,
        query["level"],
        own_figure(query["baseline"], measure, units),
        query["slot"],
        query["budget"],
        query["labour_rate"],
        own_figure(query["wished"], measure, units),
    )

    def document() -> dict[str, Any]:
        about = question_document(
            platform.slug, measure, standard, slot=query["slot"], fitted=[part.slug for part in fitted]
        )
        found = part_choice(read_conn(), platform, parts, fitted, asked, shop(), state)
        return {"as_of": as_of(state), **choice_document(found, about, units)}

    if wants_csv():
        return rows_csv(document(), "parts")
    return kept_answer(version_of_parts(platform, parts, state), document)


def in_order(parts: Sequence[PricedPart], slugs: Sequence[str]) -> list[PricedPart]:
    """These parts in the order they were named, or 404 naming the nearest."""
    by_slug = {part.slug: part for part in parts}
    for slug in slugs:
        if slug not in by_slug:
            own = by_slug.get(own_slug(read_conn(), slug))
            if own is None:
                raise not_known(read_conn(), "part", slug)
            by_slug[slug] = own
    return [by_slug[slug] for slug in slugs]


def refuse_shared_slots(parts: Sequence[PricedPart], asked_as: str) -> None:
    """Two parts of one slot cannot be fitted together."""
    for a, b in combinations(parts, 2):
        shared = sorted(set(a.slots) & set(b.slots))
        if shared:
            words = f"{a.slug} and {b.slug} both fill the slot {shared[0]}, so they are not fitted together; leave one out"
            raise Refused(words, [Fault("", words, parameter=asked_as)])


def version_of_parts(platform: PlatformAsked, parts: Sequence[PricedPart], state: ModelState | None) -> str:
    """What an answer about these parts rests on."""
    versions = ".".join(str(part.version) for part in parts)
    return f"{platform.version}|{versions}|{version_of(state)}"


def rows_csv(document: dict[str, Any], of: str) -> Response:
    """The rows of an answer, what was asked beside each."""
    rows, about = document[of], document["question"]
    names = list(rows[0]) if rows else []
    cells = ([flat(row[name]) for name in names] + [flat(value) for value in about.values()] for row in rows)
    return csv_response([*names, *about], cells)
