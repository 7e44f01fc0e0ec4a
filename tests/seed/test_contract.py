"""The invented shop's posts through the ledger's own schema and its checks at the door: nothing is refused."""

from datetime import UTC, datetime
from typing import Any

from seed.history import History
from seed.parts import PARTS
from seed.shop import BAYS, PLATFORMS
from seed.wire import fitting_body, part_body, vehicle_body
from service.domain.checks import Case, refusals
from service.schemas.resources import (
    BayDocument,
    ModificationDocument,
    PartDocument,
    PlatformDocument,
    VehicleDocument,
)
from service.schemas.sessions import SessionPost

NOW = datetime(2026, 11, 1, tzinfo=UTC)


def test_every_session_passes_the_schema_and_no_check_refuses_it(bodies: list[dict[str, Any]]) -> None:
    for body in bodies:
        session = SessionPost().load(body)
        assert [finding.code for finding in refusals(Case(session, NOW), {})] == [], body["id"]


def test_what_arrives_in_us_units_is_the_torque_that_was_measured(
    shop: History, bench: Any, bodies: list[dict[str, Any]]
) -> None:
    """Half a step of 0.1 lbf.ft is 0.068 N.m."""
    index = next(
        i for i, body in enumerate(bodies) if body["units"] == "us" and shop.sessions[i].basis == "observed"
    )
    session = SessionPost().load(bodies[index])
    measured = bench.measure(shop.sessions[index])[0][0].channels["torque"]
    assert abs(session.setups[0].pulls[0].channels["torque"] - measured).max() < 0.0679


def test_the_catalogue_passes_the_ledgers_schemas(shop: History) -> None:
    for platform in PLATFORMS:
        assert (
            PlatformDocument().load(platform.document)["rated_power_kw"] == platform.document["rated_power"]
        )
    for bay in BAYS:
        BayDocument().load(bay.document)
    for part in PARTS:
        PartDocument().load(part_body(part))
    for car in shop.cars:
        VehicleDocument().load(vehicle_body(car))
    for line in shop.fittings:
        ModificationDocument().load(fitting_body(line))
