"""The `bayledger` command. Each subcommand is a module of its own, imported when it is asked for."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from service.cli.errors import COULD_NOT, DONE, WRONG_USE, CouldNotError, words_for
from service.cli.lazy import LazyGroup

VERSION = "0.1.0"
COMMANDS = {
    "serve": "serve",
    "worker": "worker",
    "demo": "demo",
    "migrate": "migrate",
    "token": "token",
    "settings": "settings",
    "post": "post",
    "ask": "ask",
    "factor": "factor",
    "refit": "refit",
    "selfcheck": "selfcheck",
    "import": "importing",
    "export": "exporting",
    "backup": "backup",
    "restore": "restore",
    "bay": "bay",
    "mend": "mend",
}

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100, "auto_envvar_prefix": "BAYLEDGER"}


@click.group(cls=LazyGroup, package=__name__, commands_at=COMMANDS, context_settings=CONTEXT)
@click.version_option(package_name=None, version=VERSION, prog_name="bayledger")
def group() -> None:
    """The results ledger of a chassis-dynamometer shop.

    \b
    See it with an invented shop:    bayledger demo
    Run a shop's own ledger:         bayledger serve
    Make a token for the counter:    bayledger token create --scope read --name counter
    Ask it something:                bayledger ask --part road-calibration --platform halvern-stoat-16t
    Put a mistake right:             bayledger mend find stoat-014

    Every flag can also be set as an environment variable, named in its help; `bayledger settings` lists the process
    settings. Exit codes: 0 done, 1 could not, 2 wrong use.
    """


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; answers its exit code. Errors are one line on standard error."""
    try:
        outcome = group.main(args=arguments, prog_name="bayledger", standalone_mode=False)
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except (click.Abort, KeyboardInterrupt):
        return COULD_NOT
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return WRONG_USE
    except click.UsageError as error:
        return _wrong_use(error)
    except click.ClickException as error:
        return _could_not(error.format_message())
    except BrokenPipeError:
        # the reader of our output has gone, as with `| head`; nothing more can be said to it
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115
        return COULD_NOT
    except Exception as error:
        if os.environ.get("BAYLEDGER_LOG_LEVEL") == "debug":
            raise
        return _could_not(words_for(error))
    return outcome if isinstance(outcome, int) else DONE


def _wrong_use(error: click.UsageError) -> int:
    way_out = f" Try: {error.ctx.command_path} --help" if error.ctx else ""
    click.echo(f"bayledger: {error.format_message()}{way_out}", err=True)
    return WRONG_USE


def _could_not(words: str) -> int:
    click.echo(f"bayledger: {words}", err=True)
    return COULD_NOT


__all__ = ["CouldNotError", "group", "main"]
