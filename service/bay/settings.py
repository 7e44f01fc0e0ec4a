"""What a bay needs to know: its folder, and in it `bay.toml`. Flags come before the environment, that before the file.

url = "https://ledger.example"     # where the ledger is
bay = "north"                      # this bay's slug
token_file = "token"               # or token = "...", of scope post
authority = "authority.pem"        # who vouches for an https:// address, where no public authority does
units = "si"                       # of the quantities people type: si, us or ps
mapping = "mapping.toml"           # made by `bayledger bay learn`
watch = "/machine/export"          # the folder `bayledger bay watch` looks into
pattern = "*.csv"                  # of its files; left out: all but sidecars
cut_short_wait_s = 30              # for how long a file whose end looks cut off stands still to be taken; left out: 30
machine_clock_ahead_s = 180        # how far the machine's clock is ahead of this computer's; left out: 0

[defaults]                         # keys of sidecars that hold where nobody says otherwise
operator = "JT"

[weather]                          # fixed: temperature, pressure, humidity; or a file, see weather.py
"""

from __future__ import annotations

import math
import os
import ssl
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from service.bay.known import SLUG, NotUnderstood, Said, understood
from service.bay.whole import CUT_SHORT_S
from service.domain.units import SYSTEMS

DEFAULT_FOLDER = Path("~/.bayledger-bay")
FILE = "bay.toml"
VARIABLES: Final[Mapping[str, str]] = {
    "bay_dir": "BAYLEDGER_BAY_DIR",
    "url": "BAYLEDGER_URL",
    "token": "BAYLEDGER_BAY_TOKEN",
    "bay": "BAYLEDGER_BAY",
}
"""The token has a variable of its own: BAYLEDGER_TOKEN is that of whoever asks the ledger, and may not post here."""
TEXTS: Final = ("url", "bay", "token", "token_file", "authority", "units", "mapping", "watch", "pattern")
NUMBERS: Final = ("cut_short_wait_s", "machine_clock_ahead_s")
TABLES: Final = ("defaults", "weather")
SAMPLE = """url = "http://127.0.0.1:8321"
bay = "north"
token_file = "token"
units = "si"
mapping = "mapping.toml"
"""


class BayNotSet(Exception):
    """The bay's settings cannot be used; the words say which and the way out."""


@dataclass(frozen=True)
class BaySettings:
    """A bay's settings; paths in bay.toml are from its own folder."""

    folder: Path
    url: str
    bay: str
    units: str
    token: str = ""
    authority: Path | None = None
    mapping: Path | None = None
    watch: Path | None = None
    pattern: str = "*"
    cut_short_wait_s: float = CUT_SHORT_S
    machine_clock_ahead_s: float = 0.0
    defaults: Said = field(default_factory=dict)
    weather: Mapping[str, Any] = field(default_factory=dict)


def read_settings(given: Mapping[str, Any], environment: Mapping[str, str] | None = None) -> BaySettings:
    """The bay's settings; `given` are flags, None where not given. Raises BayNotSet with every fault at once."""
    environment = os.environ if environment is None else environment
    outside = {name: environment.get(variable) or None for name, variable in VARIABLES.items()}
    outside |= {name: value for name, value in given.items() if value is not None}
    folder = Path(outside.pop("bay_dir", None) or DEFAULT_FOLDER).expanduser()
    document = read_file(folder / FILE)
    said = {**document, **{name: value for name, value in outside.items() if value is not None}}
    faults = list(faults_of(said, folder / FILE))
    if faults:
        raise BayNotSet("\n".join(faults))
    return made(folder, said)


def read_file(path: Path) -> dict[str, Any]:
    """What bay.toml says; nothing where there is none. Raises BayNotSet where it is no TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return {}
    except (ValueError, RecursionError) as error:  # no TOML, no UTF-8, or deeper or longer than Python reads
        raise BayNotSet(
            f"{path} cannot be read: {error}; paths on Windows stand in 'single quotes'"
        ) from error
    except OSError as error:
        raise BayNotSet(f"{path} cannot be read: {error.strerror}") from error


def faults_of(said: Mapping[str, Any], path: Path) -> Iterator[str]:
    """Every fault of what is set, with the way out."""
    if not path.exists() and not {"url", "bay", "units"} <= said.keys():
        yield f"this computer is no bay yet: write {path}, such as\n{SAMPLE}and `bayledger bay status` looks it over."
        return
    known = (*TEXTS, *NUMBERS, *TABLES)
    for name in said.keys() - {*known}:
        yield f"{path}: there is no setting {name!r}; there are {', '.join(known)}"
    for name in NUMBERS:
        if not is_number(said.get(name, 0.0)):
            yield f"{path}: {name} = {said[name]!r} must be a number of seconds, without quotes"
    for name in TEXTS:
        if name in said and not isinstance(said[name], str):
            yield f"{path}: {name} = {said[name]!r} must be text in quotes"
    for name in TABLES:
        if not isinstance(said.get(name, {}), dict):
            yield f"{path}: {name} must be a table: [{name}] on a line of its own"
    for name, way_out in (
        ("url", 'the address of the ledger: url = "http://HOST:PORT"'),
        ("bay", 'this bay\'s slug: bay = "north"'),
        ("units", 'the units people type quantities in: units = "si", "us" or "ps"'),
    ):
        if name not in said:
            yield f"{path}: missing, {way_out}"
    yield from wrong_values(said, path)


def is_number(value: Any) -> bool:
    """Whether it is a figure; Python counts true as one."""
    return type(value) is int or (type(value) is float and math.isfinite(value))


def is_address(url: str) -> bool:
    """Whether a ledger can be at it."""
    try:
        where = urlsplit(url)
    except ValueError:  # a bracket that stands for no address
        return False
    return where.scheme in ("http", "https") and bool(where.hostname)


def wrong_values(said: Mapping[str, Any], path: Path) -> Iterator[str]:
    """Values that cannot be meant."""
    url, bay, units = (str(said.get(name, "")) for name in ("url", "bay", "units"))
    if url and not is_address(url):
        yield f"{path}: url = {url!r} is no address; write http://HOST:PORT or https://HOST"
    if bay and not SLUG.fullmatch(bay):
        yield f"{path}: bay = {bay!r} must be a slug: 1 to 64 of a-z, 0-9 and -"
    if units and units not in SYSTEMS:
        yield f"{path}: units = {units!r} must be one of {', '.join(SYSTEMS)}"
    elif units:
        try:
            understood(table(said, "defaults"), f"{path} [defaults]", units)
        except NotUnderstood as error:
            yield from error.faults


def table(said: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """A table of bay.toml; an empty one where there is none, or no table."""
    found = said.get(name, {})
    return found if isinstance(found, dict) else {}


def made(folder: Path, said: Mapping[str, Any]) -> BaySettings:
    """The settings, checked before. Raises BayNotSet where the token's or the authority's file cannot be read."""
    return BaySettings(
        folder=folder,
        url=said["url"].rstrip("/"),
        bay=said["bay"],
        units=said["units"],
        token=said.get("token") or token_in(folder, said.get("token_file")),
        authority=authority_in(folder, said.get("authority")),
        mapping=path_of(folder, said.get("mapping")),
        watch=path_of(folder, said.get("watch")),
        pattern=said.get("pattern", "*"),
        cut_short_wait_s=float(said.get("cut_short_wait_s", CUT_SHORT_S)),
        machine_clock_ahead_s=float(said.get("machine_clock_ahead_s", 0.0)),
        defaults=understood(table(said, "defaults"), f"{folder / FILE} [defaults]", said["units"]),
        weather=table(said, "weather"),
    )


def path_of(folder: Path, name: str | None) -> Path | None:
    """A path as bay.toml means it."""
    return None if name is None else folder / Path(name).expanduser()


def token_in(folder: Path, name: str | None) -> str:
    """The token that stands alone in a file; none where no file is named."""
    path = path_of(folder, name)
    if path is None:
        return ""
    try:
        return path.read_text(encoding="utf-8-sig").strip()
    except OSError as error:
        raise BayNotSet(
            f"{path}: the token cannot be read ({error.strerror}); make one with "
            "`bayledger token create --scope post --bay SLUG` and keep it there"
        ) from error


def authority_in(folder: Path, name: str | None) -> Path | None:
    """The file of a certificate authority; none where none is named. Raises BayNotSet where it holds no certificate."""
    path = path_of(folder, name)
    if path is None:
        return None
    try:
        ssl.create_default_context(cafile=path)
    except OSError as error:  # ssl.SSLError is one
        raise BayNotSet(
            f"{path}: the authority cannot be read ({error.strerror or error}); copy the ledger's authority.pem there, or "
            "leave authority out where a public one vouches for the address"
        ) from error
    return path
