"""What is to be mended of what was measured: a pull, a setup or a session, as a person names it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import click

from service.cli.errors import CouldNotError
from service.cli.mend.common import Mender, address

ID = r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
PULL = re.compile(rf"(?:(?:sessions/{ID}/setups/\d+/)?pulls/)?(?P<pull>\d+)")
BELOW = re.compile(rf"(?:sessions/)?(?P<session>{ID})(?:/(?:setups/)?(?P<setup>\d+))?")
SESSION, SETUP, PULL_KIND = "session", "setup", "pull"


@dataclass(frozen=True)
class Target:
    """A pull by its number, or a session by its id, or one of its setups."""

    session: str | None = None
    setup: int | None = None
    pull: int | None = None

    @property
    def kind(self) -> str:
        """What it is."""
        return PULL_KIND if self.pull is not None else SESSION if self.setup is None else SETUP

    @property
    def path(self) -> str:
        """Where it stands."""
        if self.pull is not None:
            return address("pulls", self.pull)
        below = () if self.setup is None else ("setups", self.setup)
        return address("sessions", self.session, *below)

    @property
    def typed(self) -> str:
        """As a person types it."""
        if self.pull is not None:
            return str(self.pull)
        return f"{self.session}/{self.setup}" if self.setup is not None else str(self.session)


def target_of(text: str) -> Target | None:
    """What a text names; None where it names nothing that was measured."""
    bare = without_prefix(text).lower()
    if found := PULL.fullmatch(bare):
        return Target(pull=int(found["pull"]))
    if found := BELOW.fullmatch(bare):
        return Target(session=found["session"], setup=int(found["setup"]) if found["setup"] else None)
    return None


def without_prefix(text: str) -> str:
    """An address without what stands before its first step."""
    return re.sub(r"\A(?:https?://[^/]+)?/?(?:v1/)?", "", text.strip()).rstrip("/")


class TargetType(click.ParamType):
    """Reads a target of some kinds."""

    def __init__(self, *kinds: str) -> None:
        self.kinds = kinds
        self.name = " or ".join(kinds)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Target:
        """The target, or wrong use."""
        found = value if isinstance(value, Target) else target_of(value)
        if found is None or found.kind not in self.kinds:
            said = {
                PULL_KIND: "a pull's number (381)",
                SETUP: "a setup (SESSION/2)",
                SESSION: "a session's id",
            }
            meant = " or ".join(said[kind] for kind in self.kinds)
            self.fail(f"{value} is not {meant}; `bayledger mend find CAR` lists them.", param, ctx)
        return found


MEASURED = TargetType(PULL_KIND, SETUP, SESSION)
"""Whatever was measured: a pull, a setup or a session."""


@dataclass(frozen=True)
class Seen:
    """A target as it stands: its whole session, and what of it is meant."""

    target: Target
    session: dict[str, Any]
    etag: str
    setup: dict[str, Any] | None = None
    pull: dict[str, Any] | None = None

    @property
    def itself(self) -> dict[str, Any]:
        """The record that is meant."""
        return self.pull or self.setup or self.session

    @property
    def name(self) -> str:
        """What it is, in words."""
        of = f"session {self.session['id']}"
        if self.setup is not None:
            of = f"setup {self.setup['n']} ({fitted(self.setup)}) of {of}"
        if self.pull is not None:
            of = f"pull {self.pull['id']} of {of}"
        visit = f"{self.session['vehicle']} in {self.session['bay']}, {moment(self.session['started_at'])}"
        return f"{of[0].upper()}{of[1:]}: {visit}"

    @property
    def above(self) -> Iterator[str]:
        """What is struck above it, and so keeps it from counting."""
        if self.session["struck"] is not None and self.itself is not self.session:
            yield "session"
        if self.pull is not None and self.setup is not None and self.setup["struck"] is not None:
            yield "setup"


def look(mender: Mender, target: Target) -> Seen:
    """Read a target and what it stands in. Raises CouldNotError where a session has no such setup."""
    id, n = target.session, target.setup
    if target.pull is not None:
        pull = mender.get(target.path)
        id, n = str(pull["session"]).rpartition("/")[2], pull["setup"]
    session, etag = mender.version(address("sessions", id))
    if n is None:
        return Seen(target, session, etag)
    setup = next((one for one in session["setups"] if one["n"] == n), None)
    if setup is None:
        there = ", ".join(str(one["n"]) for one in session["setups"])
        raise CouldNotError(f"session {id} has no setup {n}; it has {there}.")
    return Seen(
        target, session, etag, setup, next((p for p in setup["pulls"] if p["id"] == target.pull), None)
    )


def fitted(setup: dict[str, Any]) -> str:
    """What a setup carries."""
    return parts_typed(setup["parts"]).replace("none", "nothing fitted").replace(",", ", ")


def parts_typed(parts: list[Any]) -> str:
    """A part list as it is typed: `wide-pipe,road-map:calibration`, `none`."""
    names = [one if isinstance(one, str) else f"{one['part']}:{one['slot']}" for one in parts]
    return ",".join(names) or "none"


def moment(text: str) -> str:
    """A time of the ledger's, to the minute."""
    return f"{datetime.fromisoformat(text).astimezone(UTC):%Y-%m-%d %H:%M} UTC"
