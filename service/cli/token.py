"""`bayledger token`: who may post, read or change."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import owner_connection

if TYPE_CHECKING:
    from service.settings import Settings
    from service.store.db import Connection

SCOPES = ("admin", "read", "post")


@click.group("token")
def command() -> None:
    """Make, list and revoke tokens. Works while the ledger runs, and while it does not.

    \b
    bayledger token create --scope post --bay north --name "north bay computer"
    bayledger token create --scope read --name counter --expires-days 365
    bayledger token list
    bayledger token revoke 3
    """


@command.command("create")
@options.database
@options.setting("owner_database_url")
@options.flag(
    "--scope",
    type=click.Choice(SCOPES),
    required=True,
    help="post: a bay; read: counter and dashboard; admin: everything.",
)
@options.flag("--bay", metavar="SLUG", help="the bay that posts with it (needed for scope post).")
@options.flag("--name", metavar="WHO", default="", help="who holds it; stands in the history of changes.")
@options.flag(
    "--expires-days",
    type=click.FloatRange(min=0, min_open=True),
    help="days until it ends; without it never.",
)
def create(
    scope: str, bay: str | None, name: str, expires_days: float | None,
    data_dir: Path | None, database_url: str | None, owner_database_url: str | None,
) -> None:  # fmt: skip
    """Make a token and print it, alone, on standard output. It is shown this once; the ledger keeps only its hash.

    \b
    TOKEN=$(bayledger token create --scope read --name counter)
    bayledger token create --scope post --bay north --name "north bay computer"
    """
    if (scope == "post") != (bay is not None):
        raise click.UsageError(
            "a token of scope post belongs to one bay, and only that one does: --scope post --bay SLUG."
        )
    if not name.isprintable():
        raise click.UsageError(
            f"--name {name!r} holds what cannot be shown on a line; write it in plain text."
        )
    from service.store.tokens import create_token

    ends = None if expires_days is None else datetime.now(UTC) + timedelta(days=expires_days)
    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with as_owner(settings) as connection:
        try:
            token = create_token(connection, scope=scope, bay=bay, name=name, expires_at=ends)
        except LookupError as error:
            raise CouldNotError(
                f"{error.args[0]}. Add it first (POST /v1/bays), or look at GET /v1/bays."
            ) from error
    click.echo(token)


@command.command("list")
@options.database
@options.setting("owner_database_url")
def list_them(data_dir: Path | None, database_url: str | None, owner_database_url: str | None) -> None:
    """List every token ever made, without its secret, newest first."""
    from rich.table import Table

    from service.cli.show import console
    from service.store.tokens import list_tokens

    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with as_owner(settings) as connection:
        tokens = list_tokens(connection)
    table = Table("number", "name", "scope", "bay", "made", "state", box=None, pad_edge=False)
    now = datetime.now(UTC)
    for one in tokens:
        state = _state(one.revoked_at, one.expires_at, now)
        table.add_row(
            str(one.token_id), one.name, one.scope, one.bay or "", f"{one.created_at:%Y-%m-%d}", state
        )
    console().print(
        table if tokens else "no tokens yet. Make one: bayledger token create --scope read --name counter"
    )


def _state(revoked_at: datetime | None, expires_at: datetime | None, now: datetime) -> str:
    if revoked_at is not None:
        return f"revoked {revoked_at:%Y-%m-%d}"
    if expires_at is None:
        return "valid"
    return f"{'ended' if expires_at <= now else 'valid until'} {expires_at:%Y-%m-%d}"


@command.command("revoke")
@click.argument("number", type=int)
@options.database
@options.setting("owner_database_url")
def revoke(
    number: int, data_dir: Path | None, database_url: str | None, owner_database_url: str | None
) -> None:
    """End a token now. NUMBER is the one `bayledger token list` shows.

    \b
    bayledger token revoke 3
    """
    from service.store.tokens import revoke_token

    settings = options.read_settings(
        data_dir=data_dir, database_url=database_url, owner_database_url=owner_database_url
    )
    with as_owner(settings) as connection:
        if not revoke_token(connection, number):
            raise CouldNotError(f"no valid token has the number {number}. See: bayledger token list")
    click.echo(f"token {number} is revoked")


@contextmanager
def as_owner(settings: Settings) -> Iterator[Connection]:
    """A connection that may make and end tokens, which the service's role may not."""
    with owner_connection(settings) as connection:
        try:
            yield connection
        except PermissionError as error:
            raise CouldNotError(
                f"{error}: name the database as that role in BAYLEDGER_OWNER_DATABASE_URL, or with Docker: "
                "docker compose run --rm -T migrate bayledger token ..."
            ) from error
