"""`bayledger demo`: the invented shop, to look around in."""

from __future__ import annotations

import json
import os
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.ledger import SELF
from service.settings import Settings, default_of, variable

BEGUN = "demo-begun"  # in the data folder while it is filled: the token it is filled with
DONE = "demo-done"
TOKEN_NAME = "demo filling"  # noqa: S105 - a name
TOKEN_DAYS = 90  # as long as the ledger recognises a post by its key
START_PATIENCE_S = 120.0  # our choice: first start, migrations
POLL_S = 0.1
UNAUTHORIZED = 401


@click.command("demo")
@options.client
@options.setting("host")
@options.setting("port", int)
@options.setting("database_url")
@options.setting("owner_database_url")
@options.flag(
    "--cars", type=click.IntRange(6, 20000), default=400, show_default=True, help="about how many cars."
)
@options.flag("--for-master", type=int, default=None, hidden=True)
def command(cars: int, for_master: int | None, **given: object) -> None:
    """Fill a ledger with an invented shop: four bays, five years, about 400 cars.

    With --url and --token (of scope admin) a running ledger is filled. Without, one is started, filled if it is empty,
    and served until Ctrl-C; starting it again finds everything where it was.

    \b
    bayledger demo
    bayledger demo --port 9000 --data-dir /tmp/look
    bayledger demo --url http://127.0.0.1:8321 --token "$ADMIN"
    """
    settings = options.read_settings(**given)
    if for_master is not None:
        _fill_beside(settings, for_master, cars)
    elif settings.url:
        _fill_given(settings, cars)
    else:
        _serve_filled(settings, cars)


def _fill_given(settings: Settings, cars: int) -> None:
    """A running ledger somebody named."""
    if not settings.token:
        raise click.UsageError("--url needs --token, of scope admin: bayledger token create --scope admin")
    _load(settings, cars)
    show_one_answer(settings)


def _serve_filled(settings: Settings, cars: int) -> None:
    """Serve, and let a process of its own fill the ledger: what it loads is gone from memory when it is done."""
    from service.cli.serve import serve

    for name in ("database_url", "owner_database_url"):
        os.environ[variable(name)] = getattr(
            settings, name
        )  # not as arguments, which every user of the machine sees
    beside = [*SELF, "demo", "--for-master", str(os.getpid()), "--cars", str(cars)]
    beside += ["--data-dir", str(settings.data_dir.resolve())]
    if not os.environ.get(variable("log_level")):
        settings = replace(
            settings, log_level="warning"
        )  # thousands of posts would hide what there is to see
    serve(settings, and_also=beside)


def _fill_beside(settings: Settings, master: int, cars: int) -> None:
    """The process beside the server: wait for it, fill if it is empty, ask one question."""
    settings = replace(settings, url=_wait_for(settings.data_dir, master), token="")
    if not settings.data_dir.joinpath(DONE).exists():
        _fill_with_own_token(settings, cars)
    show_one_answer(settings)
    click.echo(f"Look around: {settings.url}")


def _wait_for(data_dir: Path, master: int) -> str:
    from service.cli.note import read_note

    deadline = time.monotonic() + START_PATIENCE_S
    while (note := read_note(data_dir)) is None or note.pid != master:
        if os.getppid() != master:
            raise CouldNotError("the server ended before it could be filled.")
        if time.monotonic() > deadline:
            raise CouldNotError(f"the server was not ready after {START_PATIENCE_S:.0f} s.")
        time.sleep(POLL_S)
    return note.url


def _fill_with_own_token(settings: Settings, cars: int) -> None:
    """Fill with an admin token made for it, revoked when it is done or not needed.

    Posts are recognised by token and content: the token is kept beside the data until the filling is complete, so that
    one that was cut can be taken up again.
    """
    from service.cli.ledger import owner_connection
    from service.store.tokens import create_token, list_tokens, revoke_token

    begun = settings.data_dir / BEGUN
    with owner_connection(settings) as connection:
        if not begun.exists():
            ends = datetime.now(UTC) + timedelta(days=TOKEN_DAYS)
            _keep(begun, create_token(connection, scope="admin", name=TOKEN_NAME, bay=None, expires_at=ends))
            is_used = _holds_cars(replace(settings, token=begun.read_text()))
        else:
            is_used = False
        if is_used:
            click.echo(
                "This ledger holds cars already and is served as it is; the invented shop needs an empty --data-dir.",
                err=True,
            )
        else:
            _load(replace(settings, token=begun.read_text()), cars)
            settings.data_dir.joinpath(DONE).touch()
        for one in list_tokens(connection):
            if one.name == TOKEN_NAME and one.revoked_at is None:
                revoke_token(connection, one.token_id)
        begun.unlink()


def _keep(path: Path, secret: str) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
        file.write(secret)


def _holds_cars(settings: Settings) -> bool:
    from service.cli.client import open_client, read

    with open_client(settings) as client:
        return bool(read(client.get("/v1/vehicles", params={"limit": 1}))["items"])


def _load(settings: Settings, cars: int) -> None:
    import httpx

    from seed.post import PostRefusedError, load, summary_lines

    try:
        truth = settings.data_dir / "demo-truth.json"
        summary = load(settings.url, settings.token, cars=cars, truth=truth, refit=True)
    except PostRefusedError as error:
        raise CouldNotError(_not_filled(_refusal_in_words(error))) from error
    except (httpx.HTTPError, LookupError) as error:
        raise CouldNotError(_not_filled(str(error) or type(error).__name__)) from error
    for line in summary_lines(summary):
        click.echo(line)


def _not_filled(why: str) -> str:
    return f"the shop could not be filled: {why}. Starting again takes up where it stopped."


def _refusal_in_words(refused: Exception) -> str:
    """What was posted where, and the first fault the ledger found in it."""
    head, _, document = str(refused).partition("\n")
    try:
        problem = json.loads(document)
        fault = problem["errors"][0] if problem.get("errors") else problem
    except (ValueError, KeyError, AttributeError):
        return head
    return f"{head} {fault.get('pointer', '')} {fault.get('detail', '')}".rstrip(". ")


def show_one_answer(settings: Settings) -> None:
    """Ask about the part and platform with the most evidence."""
    from service.cli.answer import show_answer
    from service.cli.client import open_client, read

    with open_client(settings) as client:
        evidence = client.get("/v1/evidence", params={"limit": 1})
        if evidence.status_code == UNAUTHORIZED:
            return  # open reading was turned off: whoever may read asks for himself
        first: list[dict[str, Any]] = read(evidence)["items"]
        if not first:
            return
        asked = {name: first[0][name] for name in ("platform", "part", "against") if first[0].get(name)}
        answer = read(client.get("/v1/typical-gain", params=asked | {"curve": "false"}))
    folder = (
        "" if settings.data_dir == default_of("data_dir").resolve() else f" --data-dir {settings.data_dir}"
    )
    click.echo(f"\nbayledger ask --part {asked['part']} --platform {asked['platform']}{folder}")
    show_answer(answer, short=True)
