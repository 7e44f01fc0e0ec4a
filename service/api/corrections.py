"""Correction over HTTP: the standards there are, and one factor with all about it."""

from collections.abc import Iterator, Mapping
from typing import Any

from flask import Response

from service.api import bays, platforms
from service.api.answering import json_response, listed
from service.api.context import chosen_standard, chosen_units, needs, shop
from service.api.wire import Blueprint
from service.domain.correction import STANDARDS, Standard
from service.domain.engine import Engine
from service.domain.errors import Fault, Refused
from service.domain.factor_sheet import factor_sheet
from service.schemas.correction_documents import (
    CorrectionFactor,
    StandardDocument,
    factor_document,
    standard_document,
)
from service.schemas.correction_queries import FactorQuery, asked_air, asked_engine, engine_needs
from service.schemas.queries import UnitsQuery

blueprint = Blueprint("corrections", __name__, description="Correction standards and their factors.")


@blueprint.get("/v1/standards")
@needs("read", "post")
@blueprint.arguments(UnitsQuery, location="query")
@blueprint.page(StandardDocument, "All of them.", units=True)
def list_standards(query: dict[str, Any]) -> Response:
    """List the correction standards: formula, reference air, limits, and where each was read.

    Limits and reference air in `units`; a limit is null where none is known.
    """
    units = chosen_units(query)
    rows = [standard_document(standard, units) for standard in STANDARDS.values()]
    return listed(rows, last_key=None, units=units, columns=list(StandardDocument().fields))


class AskedFactor(FactorQuery):
    """A question about a factor; without units its figures are in the shop's."""

    def unit_system(self, data: Mapping[str, Any]) -> str | None:
        """The question's units, else the shop's."""
        units: str = super().unit_system(data) or shop()["units"]
        return units


@blueprint.get("/v1/correction-factor")
@needs("read", "post")
@blueprint.arguments(AskedFactor, location="query")
@blueprint.response(200, CorrectionFactor)
def get_correction_factor(query: dict[str, Any]) -> Response:
    """Work out a correction factor: what it is made of, and whether the standard's own limits allow it.

    For the air given, and the engine given or a platform's. Nothing is kept. Beside it every other standard's factor in
    the same air.
    """
    units, standard = chosen_units(query), chosen_standard(query)
    air, known = asked_air(query, units), query["platform"]
    engine = asked_engine(query, None if known is None else platforms.found(known).as_engine())
    bay = None if query["bay"] is None else bays.found(query["bay"])
    faults = list(missing_faults(STANDARDS[standard], engine, query["platform"]))
    if bay is not None and bay.altitude_m is None:
        faults.append(Fault("", altitude_missing(bay.slug), parameter="bay"))
    if faults:
        raise Refused("; ".join(f"{fault.parameter}: {fault.detail}" for fault in faults), faults)
    altitude = query["altitude_m"] if bay is None else bay.altitude_m
    return json_response(factor_document(factor_sheet(standard, air, engine, altitude, units), units))


def altitude_missing(slug: str) -> str:
    """That nobody recorded how high a bay lies."""
    return f"the altitude of {slug} is not recorded; record it (PATCH /v1/bays/{slug}), or give altitude_m instead"


def missing_faults(standard: Standard, engine: Engine | None, platform: str | None) -> Iterator[Fault]:
    """One fault for each thing the standard must know of the engine."""
    record = f", or record it on {platform} (PATCH /v1/platforms/{platform})" if platform else ""
    for name, beside in engine_needs(standard, engine).items():
        words = f"missing: {standard.slug} needs it; give it here{record}{beside}"
        yield Fault("", words, "engine-not-recorded", name)
