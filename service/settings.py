"""The settings of a process: read from the environment, each described once, here.

What the shop decides (standard, units, labour rate, open reading) is kept in the ledger instead and changed through
`/v1/settings`.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, get_args, get_type_hints

DEFAULT_PORT = 8321
DEFAULT_THREADS = 8
DEFAULT_READ_MAX_LAG_S = 2.0  # a standby in good health lags a few milliseconds (our choice)
DEFAULT_MAX_BODY_BYTES = 8 * 1024 * 1024  # some twenty long pulls with every channel as JSON (our choice)
A_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?|[0-9A-Fa-f:.]+")
"""A host name or an address, without scheme and port."""
LOG_LEVELS = ("debug", "info", "warning", "error")
LOG_FORMATS = ("json", "text")
PREFIX = "BAYLEDGER_"
HIDDEN = "(hidden)"
NOT_SET = "(not set)"
SECRET_BYTES = 32
LARGEST_PORT = 65535
TRUE_WORDS = ("1", "true", "yes", "on")
FALSE_WORDS = ("0", "false", "no", "off")


class SettingsError(ValueError):
    """A setting has a value that cannot be used."""


@dataclass(frozen=True)
class About:
    """What a setting means, and whether its value is a secret."""

    meaning: str
    hidden: bool = False


@dataclass(frozen=True)
class Settings:
    """Every setting of a process; the variable of `data_dir` is BAYLEDGER_DATA_DIR, and so on. Empty means not set."""

    database_url: Annotated[
        str,
        About(
            "the Postgres to use, as the service's role; without it the ledger keeps its own in data_dir",
            True,
        ),
    ] = ""
    read_database_url: Annotated[
        str,
        About(
            "a hot standby of database_url the answers are read from while it keeps up, or several as libpq takes them, "
            "each in the place of the others; without it database_url",
            True,
        ),
    ] = ""
    read_max_lag_s: Annotated[
        float,
        About(
            "a standby further behind is left alone until it has caught up [s]; however small its lag, no answer is "
            "older than its question"
        ),
    ] = DEFAULT_READ_MAX_LAG_S
    database_password_file: Annotated[
        Path | None,
        About("file with the password for database_url and read_database_url, where these hold none"),
    ] = None
    owner_database_url: Annotated[
        str,
        About(
            "the database as the role that owns the schema, for migrations and tokens; else database_url",
            True,
        ),
    ] = ""
    data_dir: Annotated[Path, About("folder of everything the ledger keeps on this machine")] = Path(
        ".bayledger"
    )
    host: Annotated[
        str, About("address to listen on; one that other machines reach needs certificates or behind_tls")
    ] = "127.0.0.1"
    port: Annotated[int, About("port to listen on; 0 takes a free one")] = DEFAULT_PORT
    processes: Annotated[
        int,
        About(
            "serving processes; each holds the history model and its own connections, one per core is plenty"
        ),
    ] = 1
    threads: Annotated[int, About("requests worked on at once in each process")] = DEFAULT_THREADS
    worker_elsewhere: Annotated[
        bool, About("the history model is estimated by a `bayledger worker` elsewhere, not from here")
    ] = False
    behind_tls: Annotated[
        bool, About("a proxy in front speaks TLS to the outside and this server is reached through it only")
    ] = False
    tls_cert: Annotated[Path | None, About("certificate chain (PEM) to serve HTTPS with")] = None
    tls_key: Annotated[Path | None, About("private key (PEM) of tls_cert")] = None
    names: Annotated[
        str,
        About(
            "host names it is reached by, spaces between; besides them only addresses and localhost are answered. Without "
            "it: this machine's own name, and over TLS any, as a certificate vouches for it"
        ),
    ] = ""
    secret: Annotated[
        str,
        About(
            "key under which VINs are hashed; without it one is made once and kept in data_dir as `secret`; "
            "once lost, no VIN finds its car again",
            True,
        ),
    ] = ""
    max_body_bytes: Annotated[int, About("largest body of a request [bytes]")] = DEFAULT_MAX_BODY_BYTES
    log_level: Annotated[str, About("debug, info, warning or error")] = "info"
    log_format: Annotated[
        str, About("json, one object a line, or text; without it text at a terminal and else json")
    ] = ""
    url: Annotated[
        str,
        About("address of a running ledger, for commands that talk to one; else the one serving data_dir"),
    ] = ""
    token: Annotated[str, About("the token those commands show", True)] = ""

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] | None = None, **given: Any) -> Settings:
        """Settings from the environment; `given` ones that are not None come first. Raises SettingsError.

        An empty variable counts as not set.
        """
        environment = os.environ if environment is None else environment
        read = {
            one.name: _parse(one.name, environment[variable(one.name)])
            for one in fields(cls)
            if environment.get(variable(one.name))
        }
        given = {name: value for name, value in given.items() if value is not None}
        return _with_password(_checked(cls(**(read | given))))


@dataclass(frozen=True)
class SettingLine:
    """One line of the table `bayledger settings` prints."""

    name: str
    variable: str
    meaning: str
    value: str
    default: str


def variable(name: str) -> str:
    """The environment variable of a setting."""
    return PREFIX + name.upper()


def meaning_of(name: str) -> str:
    """What a setting means, as documented at its field."""
    return _about(name).meaning


def default_of(name: str) -> Any:
    """A setting's value where nothing is given."""
    return next(one.default for one in fields(Settings) if one.name == name)


def setting_lines(settings: Settings) -> Iterator[SettingLine]:
    """The table of all settings, secrets hidden."""
    for one in fields(settings):
        shown = _shown(getattr(settings, one.name))
        hidden = _about(one.name).hidden and shown != NOT_SET
        yield SettingLine(
            one.name,
            variable(one.name),
            meaning_of(one.name),
            HIDDEN if hidden else shown,
            _shown(one.default),
        )


def kept_secret(settings: Settings) -> str:
    """The key for VINs: the given one, else data_dir's, made on first use and readable by its owner only."""
    if settings.secret:
        return settings.secret
    path = settings.data_dir / "secret"
    settings.data_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not path.exists():
        _make_secret(path)
    kept = path.read_text(encoding="ascii").strip()
    if not kept:
        raise SettingsError(
            f"{path} is empty: put it back from a backup, or remove it if no VIN was ever posted."
        )
    return kept


def _make_secret(path: Path) -> None:
    """Written aside and linked into place: complete or not there, and the first of several makers wins."""
    aside = path.with_name(f"secret.{os.getpid()}")
    handle = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(secrets.token_urlsafe(SECRET_BYTES) + "\n")
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(aside, path)
    except FileExistsError:
        pass
    finally:
        aside.unlink()


@cache
def _annotated() -> dict[str, Any]:
    return get_type_hints(Settings, include_extras=True)


def _about(name: str) -> About:
    about: About = get_args(_annotated()[name])[1]
    return about


def _parse(name: str, text: str) -> Any:
    kind = get_args(_annotated()[name])[0]
    if kind is int:
        return _whole_number(name, text)
    if kind is float:
        return _number(name, text)
    if kind is bool:
        return _yes_or_no(name, text)
    return text if kind is str else Path(text)


def _whole_number(name: str, text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise SettingsError(f"{variable(name)} must be a whole number, not {text!r}.") from None


def _number(name: str, text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise SettingsError(f"{variable(name)} must be a number, not {text!r}.") from None


def _yes_or_no(name: str, text: str) -> bool:
    if text.lower() in TRUE_WORDS:
        return True
    if text.lower() in FALSE_WORDS:
        return False
    raise SettingsError(f"{variable(name)} must be yes or no, not {text!r}.")


def _checked(settings: Settings) -> Settings:
    """Refuse values no process can run with."""
    if not 0 <= settings.port <= LARGEST_PORT:
        raise SettingsError(f"{variable('port')} must lie between 0 and {LARGEST_PORT}, not {settings.port}.")
    for name in ("processes", "threads", "max_body_bytes"):
        if getattr(settings, name) < 1:
            raise SettingsError(f"{variable(name)} must be at least 1.")
    if not 0 < settings.read_max_lag_s < float("inf"):
        raise SettingsError(f"{variable('read_max_lag_s')} must be above 0, not {settings.read_max_lag_s}.")
    for name in settings.names.split():
        if not A_NAME.fullmatch(name):
            raise SettingsError(
                f"{variable('names')} must be host names or addresses with spaces between, such as ledger.internal "
                f"192.168.1.20, not {name!r}."
            )
    if settings.log_level not in LOG_LEVELS:
        raise SettingsError(
            f"{variable('log_level')} must be one of {', '.join(LOG_LEVELS)}, not {settings.log_level!r}."
        )
    if settings.log_format not in ("", *LOG_FORMATS):
        raise SettingsError(f"{variable('log_format')} must be json or text, not {settings.log_format!r}.")
    if (settings.tls_cert is None) != (settings.tls_key is None):
        raise SettingsError(f"{variable('tls_cert')} and {variable('tls_key')} belong together: give both.")
    return settings


def _with_password(settings: Settings) -> Settings:
    """The addresses with the password that lies in a file."""
    file = settings.database_password_file
    if file is None:
        return settings
    try:
        password = file.read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{variable('database_password_file')}: {file} cannot be read: {error}."
        ) from None
    if not password:
        raise SettingsError(f"{variable('database_password_file')}: {file} is empty.")
    return replace(
        settings,
        database_url=_completed("database_url", settings.database_url, password),
        read_database_url=_completed("read_database_url", settings.read_database_url, password),
    )


def _completed(name: str, url: str, password: str) -> str:
    """An address with this password; one that holds a password already stays as it is."""
    if not url:
        return url
    from psycopg import ProgrammingError  # not at the top: a bay's computer has none
    from psycopg.conninfo import conninfo_to_dict, make_conninfo

    try:
        parts = conninfo_to_dict(url)
    except ProgrammingError:  # its words may repeat a password
        parts = {}
    if not parts.get("user"):
        raise SettingsError(
            f"{variable(name)} must name a role, as postgresql://ROLE@HOST/NAME does, for its password to come from a file."
        )
    return url if parts.get("password") else make_conninfo(url, password=password)


def _shown(value: Any) -> str:
    if value is None or value == "":
        return NOT_SET
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
