"""A sidecar: `FILE.toml` beside a file, with what is to be said of its pulls. Its word counts before everybody's."""

from __future__ import annotations

import tomllib
from pathlib import Path

from service.bay.handed import CannotTake
from service.bay.known import NotUnderstood, Said, understood

ENDING = ".toml"


def said_beside(file: Path, units: str) -> Said:
    """What the sidecar of a file says; nothing where there is none. Raises CannotTake where it cannot be understood."""
    path = file.with_name(file.name + ENDING)
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        return understood(document, path.name, units)
    except FileNotFoundError:
        return {}
    except NotUnderstood as error:
        raise CannotTake(f"{error}\n{file.name} waits until it is mended") from error
    except (ValueError, RecursionError) as error:  # no TOML, no UTF-8, or deeper or longer than Python reads
        raise CannotTake(f"{path.name} is no TOML: {error}; {file.name} waits until it is mended") from error
    except OSError as error:
        raise CannotTake(f"{path} cannot be read: {error.strerror}") from error
