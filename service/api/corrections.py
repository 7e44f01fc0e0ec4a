"""Correction over HTTP: the standards there are, and one factor with all about it."""

from typing import Any

from flask import Response

from service.api.answering import json_response, listed
from service.api.context import conn, needs, shop
from service.api.wire import Blueprint
from service.domain.correction import STANDARDS, EngineNotRecordedError
from service.domain.engine import Engine
from service.domain.errors import Fault, NotFound, Refused
from service.domain.factor_sheet import factor_sheet
from service.schemas.correction_documents import (
    CorrectionFactor,
    StandardDocument,
    factor_document,
    standard_document,
)
from service.schemas.correction_queries import FactorQuery, asked_air, asked_engine
from service.schemas.queries import UnitsQuery
from service.store import bays, platforms
from service.store.nearest import nearest

blueprint = Blueprint("corrections", __name__, description="Correction standards and their factors.")


@blueprint.get("/v1/standards")
@needs("read", "post")
@blueprint.arguments(UnitsQuery, location="query")
@blueprint.page(StandardDocument, "All of them.", units=True)
def list_standards(query: dict[str, Any]) -> Response:
    """List the correction standards: formula, reference air, limits, and where each was read."""
    units = query["units"] or shop()["units"]
    rows = [standard_document(standard, units) for standard in STANDARDS.values()]
    return listed(rows, last_key=None, units=units, columns=list(StandardDocument().fields))


@blueprint.get("/v1/correction-factor")
@needs("read", "post")
@blueprint.arguments(FactorQuery, location="query")
@blueprint.response(200, CorrectionFactor)
def get_correction_factor(query: dict[str, Any]) -> Response:
    """A correction factor, what it was made of, and whether the standard's own limits allow it."""
    units, standard = query["units"] or shop()["units"], query["standard"] or shop()["standard"]
    air, engine = asked_air(query, units), asked_engine(query, engine_of(query["platform"]))
    altitude = query["altitude_m"] if query["bay"] is None else altitude_of(query["bay"])
    try:
        sheet = factor_sheet(standard, air, engine, altitude)
    except EngineNotRecordedError as unknown:
        raise Refused(str(unknown), missing_faults(unknown, query["platform"])) from None
    return json_response(factor_document(sheet, units))


def engine_of(slug: str | None) -> Engine | None:
    """The engine of a platform, or 404 naming the nearest; None where none is named."""
    if slug is None:
        return None
    platform = platforms.get_platform(conn(), slug)
    if platform is None:
        raise NotFound("platform", slug, nearest(conn(), "platform", slug))
    return platform.as_engine()


def altitude_of(slug: str) -> float:
    """The altitude of a bay [m]; 404 naming the nearest, 422 where it is not recorded."""
    bay = bays.get_bay(conn(), slug)
    if bay is None:
        raise NotFound("bay", slug, nearest(conn(), "bay", slug))
    if bay.altitude_m is None:
        words = f"the altitude of {slug} is not recorded; record it (PATCH /v1/bays/{slug}), or give altitude_m instead"
        raise Refused(words, [Fault("", words, parameter="bay")])
    return bay.altitude_m


def missing_faults(unknown: EngineNotRecordedError, platform: str | None) -> list[Fault]:
    """One fault for each thing the standard must know of the engine."""
    record = f", or record it on {platform} (PATCH /v1/platforms/{platform})" if platform else ""
    return [
        Fault("", f"missing: the standard needs it; give it here{record}", "engine-not-recorded", name)
        for name in unknown.missing
    ]
