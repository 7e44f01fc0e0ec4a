"""The shop's settings: what is in force, and giving them new values."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.shop import RULES
from service.store import history
from service.store import settings as store
from service.store.db import Connection


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
    """Every setting there is, whether it was ever changed or not."""
    stored = {row.name: row for row in store.current_settings(conn) if row.bay is None}
    return [
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


def change_settings(conn: Connection, changes: Mapping[str, Any], *, who: str) -> None:
    """Give settings new values, each with its line in the history; what is in force already stays untouched."""
    before = {setting.name: setting.value for setting in settings_in_force(conn)}
    for name, value in changes.items():
        if value != before[name]:
            store.set_setting(conn, name, value, who)
            history.note(
                conn,
                who=who,
                about=f"settings/{name}",
                action="changed",
                before={"value": before[name]},
                after={"value": value},
            )
