"""The shop's settings over HTTP."""

from typing import Any

from flask import Response
from marshmallow import EXCLUDE

from service.api import bays
from service.api.answering import check_if_match, json_response, listed, version_etag, wants_csv
from service.api.context import caller, conn, needs, writing
from service.api.wire import Blueprint
from service.domain.errors import NotFound
from service.domain.shop import RULES, nearest_settings
from service.ledger import settings as ledger
from service.schemas.base import page_of
from service.schemas.queries import NumberedQuery
from service.schemas.resources import SettingChangeDocument, SettingDocument, SettingsChange
from service.store import settings as store

blueprint = Blueprint("settings", __name__, description="The shop's settings, with their history.")
ONE = SettingDocument()
COLUMNS = list(ONE.fields)
CHANGE = SettingChangeDocument()
CHANGE_COLUMNS = list(CHANGE.fields)


def shown(bay: str | None = None) -> Response:
    """Every setting in force, or what one bay has of its own; the ETag is the version of them all."""
    etag = version_etag(store.settings_version(conn()))
    in_force = ledger.settings_in_force(conn())
    items = [ONE.dump(setting) for setting in in_force if bay is None or setting.bay == bay]
    if wants_csv():
        return listed(items, last_key=None, columns=COLUMNS)
    response = json_response({"items": items}, etag=etag)
    response.vary.add("Accept")
    return response


@blueprint.get("/v1/settings")
@needs("read", "post")
@blueprint.page(SettingDocument, "All of them, whether ever changed or not.")
def list_settings() -> Response:
    """Read the settings in force.

    Every setting with its meaning, whether ever changed or not. The ETag is that of all of them together.
    """
    return shown()


@blueprint.patch("/v1/settings")
@needs("admin")
@blueprint.arguments(SettingsChange, unknown=EXCLUDE)  # the schema itself refuses unknown names
@blueprint.response(200, page_of(SettingDocument))
def change_settings(data: dict[str, Any]) -> Response:
    """Change settings (If-Match with the ETag of the list).

    Settings that are left out stay as they are. A value given replaces the whole value: of `windows` and `checks` too,
    so give every member that shall differ from its default.
    """
    return changed(data)


@blueprint.get("/v1/bays/<slug>/settings")
@needs("read", "post")
@blueprint.page(SettingDocument, "What a bay has of its own.")
def list_bay_settings(slug: str) -> Response:
    """Read what a bay has of its own beside the shop's settings.

    Empty where it has nothing of its own: then the shop's settings hold.
    """
    bays.found(slug)
    return shown(slug)


@blueprint.patch("/v1/bays/<slug>/settings")
@needs("admin")
@blueprint.arguments(SettingsChange, unknown=EXCLUDE)
@blueprint.response(200, page_of(SettingDocument))
def change_bay_settings(data: dict[str, Any], slug: str) -> Response:
    """Give a bay settings of its own (only `checks`); null takes one back, and the shop's holds again.

    A value given replaces the bay's whole value: give every check that shall differ from the shop's.
    """
    return changed(data, slug)


def changed(data: dict[str, Any], bay: str | None = None) -> Response:
    """Change the settings of the shop or of one bay."""
    with writing() as connection:
        store.hold_settings(connection)
        check_if_match(store.settings_version(connection))
        ledger.change_settings(connection, data, who=caller().name, bay=bay)
    return shown(bay)


@blueprint.get("/v1/settings/<name>/history")
@needs("read", "post")
@blueprint.arguments(NumberedQuery, location="query")
@blueprint.page(SettingChangeDocument, "A page, newest first.")
def list_setting_history(query: dict[str, Any], name: str) -> Response:
    """List the values that a setting was given.

    Newest first, by whom and when; those of single bays are among them.
    """
    if name not in RULES:
        raise NotFound("setting", name, nearest_settings(name))
    rows = store.setting_history(conn(), name, before_id=query["after"], limit=query["limit"])
    more = str(rows[-1].setting_id) if len(rows) == query["limit"] else None
    return listed([CHANGE.dump(row) for row in rows], last_key=more, columns=CHANGE_COLUMNS)
