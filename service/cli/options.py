"""Flags that set a process setting: name, help, default and variable all come from `service.settings`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from service.settings import NOT_SET, Settings, SettingsError, default_of, meaning_of, variable

F = TypeVar("F", bound=Callable[..., Any])


def setting(name: str, kind: Any = str) -> Callable[[F], F]:
    """A flag for one setting. It has no default of its own: the setting has."""
    long = "--" + name.replace("_", "-")
    default = default_of(name)
    shown = "" if default in (None, "") or isinstance(default, bool) else f"; default {default}"
    text = f"{meaning_of(name)}. [{variable(name)}{shown}]"
    if kind is bool:
        return click.option(long, name, is_flag=True, default=None, help=text, allow_from_autoenv=False)
    return click.option(long, name, type=kind, default=None, help=text, allow_from_autoenv=False)


def flag(*names: str, **how: Any) -> Callable[[F], F]:
    """A flag of one command only; its variable carries the command's name, as BAYLEDGER_ASK_PART."""
    return click.option(*names, show_envvar=True, **how)


def data_dir(function: F) -> F:
    """--data-dir, which every command that touches the ledger's own files takes."""
    return setting("data_dir", click.Path(path_type=Path, file_okay=False))(function)


def database(function: F) -> F:
    """--data-dir and --database-url."""
    return data_dir(setting("database_url")(function))


def client(function: F) -> F:
    """--url, --token and --data-dir: where the running ledger is, and who asks."""
    return setting("url")(setting("token")(data_dir(function)))


def read_settings(**given: Any) -> Settings:
    """The settings of this run; a bad value is wrong use."""
    try:
        return Settings.from_environment(**given)
    except SettingsError as error:
        raise click.UsageError(str(error)) from error


__all__ = ["NOT_SET", "client", "data_dir", "database", "flag", "read_settings", "setting"]
