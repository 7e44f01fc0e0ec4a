"""Groups that import only the command that runs: `bayledger token` needs no web server."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """Knows its commands by name; `commands_at` says where each is, below `package`: `module`, or `module:name`."""

    def __init__(self, *args: Any, package: str, commands_at: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._package, self._commands_at = package, commands_at

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(self._commands_at)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        place = self._commands_at.get(cmd_name)
        if place is None:
            return None
        module, _, name = place.partition(":")
        found: click.Command = getattr(
            importlib.import_module(f"{self._package}.{module}"), name or "command"
        )
        return found
