"""How what is logged is written: one JSON object a line for programs, one line of text for a person at a terminal.

Nothing that somebody sent can begin a line of its own: JSON writes a line's end inside a text as `\\n`, and so does the
text form, whose further lines of a fault are set in.
"""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime
from typing import Any

JSON, TEXT = "json", "text"
OWN = "bayledger"


class JsonLines(logging.Formatter):
    """`time`, `level`, `logger` and `message`, then what is told besides, and the traceback of a fault."""

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "time": time_of(record),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **told(record),
        }
        if record.exc_info:
            line["fault"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)


class TextLines(logging.Formatter):
    """The same to be read: time, level, message, then `name=value`; the traceback below, set in."""

    def format(self, record: logging.LogRecord) -> str:
        said = [time_of(record), record.levelname, printable(record.getMessage())]
        said += [f"{name}={printable(str(value))}" for name, value in told(record).items()]
        lines = [" ".join(said)]
        if record.exc_info:
            fault = self.formatException(record.exc_info).splitlines()
            lines += [f"    {printable(line)}" for line in fault]
        return "\n".join(lines)


def told(record: logging.LogRecord) -> dict[str, Any]:
    """What a record tells besides its words (`extra={"told": {...}}`); what is not known is left out."""
    besides: dict[str, Any] = getattr(record, "told", {})
    return {name: value for name, value in besides.items() if value is not None}


def time_of(record: logging.LogRecord) -> str:
    """When it was said, by UTC."""
    return datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")


def printable(text: str) -> str:
    """A text with its control characters, line ends and turned directions written out."""
    if text.isprintable():
        return text
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)


def set_up(level: str, form: str) -> None:
    """Let everything that is logged from here on go to standard error in one form.

    level: of the ledger's own words; other packages are heard from warnings on. form: `json`, `text`, or empty for text
    at a terminal and else JSON.
    """
    handler = logging.StreamHandler()
    chosen = form or (TEXT if handler.stream.isatty() else JSON)
    handler.setFormatter(JsonLines() if chosen == JSON else TextLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger(OWN).setLevel(level.upper())
