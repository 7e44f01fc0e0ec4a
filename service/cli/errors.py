"""What a command that could not do its work says."""

from __future__ import annotations

import click

DONE, COULD_NOT, WRONG_USE = 0, 1, 2


class CouldNotError(click.ClickException):
    """The command could not do its work; its message names the way out."""

    exit_code = COULD_NOT


def words_for(error: Exception) -> str:
    """One line for an error, known or not."""
    if isinstance(error, ModuleNotFoundError) and not (error.name or "service").startswith("service"):
        return (
            f"{error.name} is not installed here. A bay's computer needs only `bayledger bay`; what else there is belongs "
            "on the server's, with the server's packages: pip install 'bayledger[server]'"
        )
    if _speaks_for_itself(error):
        return str(error)
    first = (str(error).strip().splitlines() or ["no further words"])[0]
    return f"{type(error).__name__}: {first} (BAYLEDGER_LOG_LEVEL=debug shows where)"


def _speaks_for_itself(error: Exception) -> bool:
    # imported here: most commands need neither
    from service.local.errors import LocalServerError
    from service.settings import SettingsError

    return isinstance(error, (LocalServerError, SettingsError))
