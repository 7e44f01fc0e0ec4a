"""The shop's settings: what is in force, and giving them new values."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.errors import Fault
from service.domain.shop import RULES
from service.ledger.marking import pair_all_again
from service.ledger.resources import refuse
from service.store import bays, history
from service.store import settings as store
from service.store.db import Connection
from service.store.nearest import not_known


@dataclass(frozen=True, slots=True)
class SettingInForce:
    """One setting with the value that holds, for the shop or for one bay."""

    name: str
    value: Any
    meaning: str
    default: Any
    bay: str | None = None
    changed_at: datetime | None = None
    changed_by: str | None = None


def settings_in_force(conn: Connection) -> list[SettingInForce]:
    """Every setting there is, whether it was ever changed or not; after them what bays have of their own."""
    rows = store.current_settings(conn)
    stored = {row.name: row for row in rows if row.bay is None and row.value is not None}
    shops = [
        SettingInForce(
            name,
            stored[name].value if name in stored else rule.default,
            rule.meaning,
            rule.default,
            changed_at=stored[name].changed_at if name in stored else None,
            changed_by=stored[name].changed_by if name in stored else None,
        )
        for name, rule in RULES.items()
    ]
    own = [
        SettingInForce(
            row.name, row.value, RULES[row.name].meaning, RULES[row.name].default, row.bay, row.changed_at, row.changed_by
        )
        for row in rows
        if row.bay is not None and row.value is not None and row.name in RULES
    ]  # fmt: skip
    return shops + own


def change_settings(
    conn: Connection, changes: Mapping[str, Any], *, who: str, bay: str | None = None
) -> None:
    """Give settings new values, each with its line in the history; what is in force already stays untouched."""
    bay_id = None if bay is None else bay_for(conn, changes, bay)
    before = {setting.name: setting.value for setting in settings_in_force(conn) if setting.bay == bay}
    where = {} if bay is None else {"bay": bay}
    for name, value in changes.items():
        if value != before.get(name):
            store.set_setting(conn, name, value, who, bay_id)
            history.note(
                conn,
                who=who,
                about=f"settings/{name}",
                action="changed",
                before={"value": before.get(name), **where},
                after={"value": value, **where},
            )
            if name == "windows":
                pair_all_again(conn)


def bay_for(conn: Connection, changes: Mapping[str, Any], slug: str) -> int:
    """The key of a bay that is to have settings of its own; refused where one of them is the whole shop's."""
    bay = bays.get_bay(conn, slug)
    if bay is None:
        raise not_known(conn, "bay", slug)
    shops = [name for name in changes if not RULES[name].per_bay]
    refuse([Fault(f"/{name}", f"{name} is the whole shop's: change it at /v1/settings") for name in shops])
    return bay.bay_id
