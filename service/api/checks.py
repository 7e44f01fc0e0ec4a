"""The checks at the door over HTTP: what each looks for, its limits, and how they are set."""

import inspect
from collections.abc import Mapping
from typing import Any

from flask import Response

from service.api import bays
from service.api.answering import json_response, listed, version_etag, wants_csv
from service.api.context import needs, shop
from service.api.wire import Blueprint
from service.domain.checks import RULES, Rule
from service.schemas.checks import CheckRuleDocument
from service.schemas.queries import ChecksQuery

blueprint = Blueprint("checks", __name__, description="What is looked at when a session is posted.")
ONE = CheckRuleDocument()
COLUMNS = list(ONE.fields)


@blueprint.get("/v1/checks")
@needs("read", "post")
@blueprint.arguments(ChecksQuery, location="query")
@blueprint.page(CheckRuleDocument, "All of them, in the order in which they are run.")
def list_checks(query: dict[str, Any]) -> Response:
    """List the checks with their limits, as they hold for the shop or for one bay.

    A check is switched or set by its code in the setting `checks`. Limits are in SI. As CSV (Accept: text/csv) one row a
    check, its limits in one cell.
    """
    bay = query["bay"]
    if bay is not None:
        bays.found(bay)
    in_force = shop().checks(bay)
    items = [ONE.dump(shown(rule, in_force.get(rule.code, {}))) for rule in RULES.values()]
    if wants_csv():
        rows = [{**one, "limits": limits_text(one["limits"])} for one in items]
        return listed(rows, last_key=None, columns=COLUMNS)
    response = json_response({"items": items}, etag=version_etag(shop().version))
    response.vary.add("Accept")
    return response


def shown(rule: Rule, set_so: dict[str, Any]) -> dict[str, Any]:
    """One check as the document says it."""
    limits = [
        {
            "name": name,
            "value": set_so.get(name, limit.default),
            "default": limit.default,
            "low": limit.low,
            "high": limit.high,
            "unit": limit.unit,
            "meaning": limit.meaning,
        }
        for name, limit in rule.limits.items()
    ]
    return {
        "code": rule.code,
        "level": rule.level,
        "on": set_so.get("on", True),
        "area": rule.area,
        "looks_for": " ".join(inspect.cleandoc(rule.look.__doc__ or "").partition("\n\n")[0].split()),
        "consistent_with": rule.means,
        "limits": limits,
        "origin": rule.origin,
    }


def limits_text(limits: list[Mapping[str, Any]]) -> str:
    """The limits in force in one cell: `least=0.6 share; most=1.6 share`."""
    return "; ".join(f"{one['name']}={one['value']:g} {one['unit']}".removesuffix(" -") for one in limits)
