"""What is to stand in a record from now on, as it is typed: FIELD=VALUE, or a file of JSON. And the other way round."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from service.cli.errors import CouldNotError
from service.cli.mend.targets import parts_typed

PARTS = "parts"


def body_of(typed: Iterable[str], file: Path | None) -> dict[str, Any]:
    """The document that is sent: a file's, with what was typed over it. Bad ones are wrong use."""
    body = {} if file is None else read_file(file)
    for one in typed:
        place, equals, text = one.partition("=")
        if not equals or not place:
            raise click.UsageError(f"{one}: say FIELD=VALUE, such as gear=4 or fuel.ethanol=0.1.")
        put(body, place.split("."), value_of(place, text))
    return body


def read_file(file: Path) -> dict[str, Any]:
    """A file's one JSON object."""
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CouldNotError(f"{file} cannot be read as JSON: {error}.") from error
    if not isinstance(document, dict):
        raise CouldNotError(f'{file} holds no JSON object; write {{"gear": 4}}.')
    return document


def put(body: dict[str, Any], steps: list[str], value: Any) -> None:
    """Set a value, however deep."""
    for step in steps[:-1]:
        below = body.setdefault(step, {})
        if not isinstance(below, dict):
            raise click.UsageError(f"{'.'.join(steps)}: {step} is given as a whole already.")
        body = below
    body[steps[-1]] = value


def value_of(place: str, text: str) -> Any:
    """A value as JSON, or a text as it stands; parts as `send` takes them."""
    if place == PARTS and not text.lstrip().startswith("["):
        from service.bay.known import parts

        try:
            return parts(text)
        except ValueError as error:
            raise click.UsageError(f"parts={text}: {error}.") from error
    try:
        return json.loads(text, parse_constant=str)  # NaN and Infinity are not JSON
    except ValueError:
        return text


def typed_back(body: Mapping[str, Any], record: Mapping[str, Any], above: str = "") -> Iterator[str]:
    """For each field that a body sets, what the record says there now, as FIELD=VALUE; what is not shown is left out."""
    for name, value in body.items():
        if name not in record:
            continue
        if isinstance(value, dict) and isinstance(record[name], dict):
            yield from typed_back(value, record[name], f"{above}{name}.")
        else:
            yield f"{above}{name}={text_of(name, record[name])}"


def text_of(name: str, value: Any) -> str:
    """A value as it is typed."""
    if name == PARTS and isinstance(value, list):
        return parts_typed(value)
    if isinstance(value, str) and value_of(name, value) == value:
        return value
    return json.dumps(value, ensure_ascii=False)


def as_typed(body: Mapping[str, Any]) -> str:
    """What is set, for a person."""
    return ", ".join(typed_back(body, body))
