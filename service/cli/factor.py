"""`bayledger factor`: correction factors of one air, worked out here; no ledger is asked."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import click

from service.cli import options

if TYPE_CHECKING:
    from service.domain.correction import Air
    from service.domain.engine import Engine
    from service.domain.factor_sheet import FactorSheet, Limit

UNITS = ("si", "us", "ps")


@click.command("factor")
@options.flag("--temperature", type=float, required=True, help="air temperature [degC; degF with us].")
@options.flag(
    "--pressure",
    type=float,
    required=True,
    help="absolute station pressure [kPa; inHg with us; hPa with ps].",
)
@options.flag("--humidity", type=float, help="relative humidity, 0 to 1; this or --dew-point.")
@options.flag("--dew-point", type=float, help="dew point [degC; degF with us].")
@options.flag(
    "--standard", metavar="SLUG", help="one standard, with what it is made of; default: all of them."
)
@options.flag(
    "--units", type=click.Choice(UNITS), default="si", help="units of the figures given; default si."
)
@options.flag(
    "--ignition", type=click.Choice(["spark", "compression"]), help="for the standards that need it."
)
@options.flag(
    "--aspiration",
    type=click.Choice(["natural", "turbo", "supercharged"]),
    help="for a diesel, as the next three.",
)
@options.flag(
    "--charge-cooling", type=click.Choice(["none", "air", "liquid"]), help="how the charge is cooled."
)
@options.flag(
    "--fuel-per-cycle",
    type=float,
    help="fuel at full load [mg per litre of displacement and cycle], 1 to 500.",
)
@options.flag("--boost-ratio", type=float, help="absolute boost over ambient pressure, 1 to 10.")
@options.flag(
    "--altitude-m",
    type=float,
    help="altitude of the station, to hold the pressure against [m], -450 to 6000.",
)
@options.flag("--json", "as_json", is_flag=True, help="as JSON.")
def command(
    temperature: float, pressure: float, humidity: float | None, dew_point: float | None, standard: str | None,
    units: str, ignition: str | None, aspiration: str | None, charge_cooling: str | None,
    fuel_per_cycle: float | None, boost_ratio: float | None, altitude_m: float | None, as_json: bool,
) -> None:  # fmt: skip
    """Work out correction factors of one air: every standard's, or one with what it is made of. Needs no server.

    \b
    bayledger factor --temperature 28 --pressure 99.2 --humidity 0.45
    bayledger factor --temperature 82 --pressure 29.3 --humidity 0.45 --units us --standard sae-j607
    bayledger factor --temperature 28 --pressure 99.2 --dew-point 15 --standard un-r85 --ignition compression \\
        --aspiration turbo --fuel-per-cycle 80 --boost-ratio 2.1
    """
    from service.domain.engine import Engine

    engine = Engine(ignition, aspiration, charge_cooling, fuel_per_cycle, boost_ratio)
    given = {
        "temperature": temperature, "pressure": pressure, "humidity": humidity, "dew_point": dew_point,
        "fuel_per_cycle": fuel_per_cycle, "boost_ratio": boost_ratio, "altitude_m": altitude_m,
        "standard": standard, "units": units,
    }  # fmt: skip
    air = _air(given, engine)
    sheets = _sheets(standard, air, engine, altitude_m, units)
    if as_json:
        _print_json(sheets, units)
    elif standard is None:
        _print_all(sheets, units)
    else:
        _print_one(sheets[0], units)


FIELDS = (
    "humidity",
    "dew_point",
    "fuel_per_cycle",
    "boost_ratio",
    "charge_cooling",
    "aspiration",
    "altitude_m",
)
"""What the words of a fault may name beside the flag they stand at."""


def _air(given: dict[str, Any], engine: Engine) -> Air:
    """The air in SI; what cannot be true, and what is missing of the engine, is wrong use, said all at once."""
    from service.domain.errors import Refused
    from service.schemas.correction_queries import FactorQuery, asked_air

    sent = {name: value for name, value in given.items() if value is not None}
    faults = [(name, " and ".join(words)) for name, words in FactorQuery().validate(sent).items()]
    faults += _missing_of_engine(given["standard"], engine)
    if not faults:
        try:
            return asked_air(FactorQuery().load(sent), given["units"])
        except Refused as refused:
            faults = [(str(fault.parameter), fault.detail) for fault in refused.faults]
    raise click.UsageError("\n".join(_flagged(name, words, sent) for name, words in faults))


def _missing_of_engine(standard: str | None, engine: Engine) -> list[tuple[str, str]]:
    """What the one standard asked for needs to know of the engine, each with why."""
    from service.domain.correction import STANDARDS
    from service.schemas.correction_queries import engine_needs

    if standard not in STANDARDS:
        return []
    needs = engine_needs(STANDARDS[standard], engine)
    return [(name, f"missing: {standard} needs it for this engine{beside}") for name, beside in needs.items()]


def _flagged(name: str, words: str, sent: dict[str, Any]) -> str:
    """A fault at its flag, with the value given."""
    value = f" {sent[name]:g}" if isinstance(sent.get(name), float) else f" {sent.get(name, '')}".rstrip()
    said = re.sub(rf"\b({'|'.join(FIELDS)})\b", lambda found: _flag(found[0]), words)
    return f"{_flag(name)}{value}: {said}" + ("" if said.endswith("?") else ".")


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def _sheets(
    standard: str | None, air: Air, engine: Engine, altitude_m: float | None, units: str
) -> list[FactorSheet]:
    """The sheet of one standard, or of every one that can be worked out for this engine."""
    from service.domain.correction import STANDARDS
    from service.domain.factor_sheet import factor_sheet

    slugs = [standard] if standard else [s for s, row in STANDARDS.items() if not row.missing(engine)]
    return [factor_sheet(slug, air, engine, altitude_m, units) for slug in slugs]


def _print_json(sheets: list[FactorSheet], units: str) -> None:
    from service.schemas.correction_documents import factor_document

    documents: list[dict[str, Any]] = [factor_document(sheet, units) for sheet in sheets]
    click.echo(json.dumps(documents[0] if len(documents) == 1 else documents, indent=2, ensure_ascii=False))


def _print_all(sheets: list[FactorSheet], units: str) -> None:
    """One line a standard; those that need more of the engine say what."""
    from service.cli.show import console, plain_table
    from service.domain.correction import STANDARDS

    by_slug = {sheet.standard.slug: sheet for sheet in sheets}
    table = plain_table("standard", "factor", "allowed", "")
    for slug, standard in STANDARDS.items():
        sheet = by_slug.get(slug)
        if sheet is None:
            needed = ", ".join(_flag(name) for name in standard.missing(_engine(sheets)))
            table.add_row(slug, "–", "–", f"needs {needed}")
        else:
            table.add_row(slug, f"{sheet.made.factor:.4f}", *_allowed(sheet))
    out = console()
    out.print(_air_in_words(sheets[0], units))
    out.print(table)
    _print_station(sheets[0])


def _engine(sheets: list[FactorSheet]) -> Engine | None:
    return sheets[0].engine


def _allowed(sheet: FactorSheet) -> tuple[str, str]:
    """Yes or no, a dash where no limit is known, and why."""
    if all(limit.low is None for limit in sheet.limits):
        return "–", "no limits known"
    outside = ", ".join(limit.what.replace("_", " ") for limit in sheet.limits if not limit.inside)
    return ("no", f"{outside} outside its limits") if outside else ("yes", "")


def _air_in_words(sheet: FactorSheet, units: str) -> str:
    from service.domain.units import from_si, symbol

    unit, air = symbol("pressure", units), sheet.air
    dry, vapour = (from_si(kpa, "pressure", units) for kpa in (air.dry_kpa, air.vapour_kpa))
    return f"Dry pressure {dry:.5g} {unit}, vapour {vapour:.3g} {unit}, density altitude {sheet.density_altitude_m:.0f} m."


def _print_station(sheet: FactorSheet) -> None:
    if sheet.station is not None:
        from service.cli.show import console

        console().print(f"Station pressure: {sheet.station.reading}.", soft_wrap=True)


def _print_one(sheet: FactorSheet, units: str) -> None:
    """A factor, what it is made of, its limits, and what to beware of."""
    from service.cli.show import console, plain_table

    out = console()
    out.print(f"{sheet.standard.name}: factor {sheet.made.factor:.6f}", style="bold")
    out.print(sheet.standard.formula, soft_wrap=True)
    out.print(_air_in_words(sheet, units))
    parts = {name: getattr(sheet.made, name) for name in ("theta", "delta", "fa", "fm", "q_c")}
    table = plain_table("made of", "value")
    for name, value in parts.items():
        if value is not None:
            table.add_row(name, f"{value:.6g}")
    out.print(table)
    for limit in sheet.limits:
        if limit.low is not None:
            out.print(_limit_in_words(limit, units))
    if sheet.station is not None and sheet.station.fits:  # one that does not is among the cautions
        _print_station(sheet)
    for warning in sheet.warnings:
        out.print(f"Caution: {warning}.", soft_wrap=True)
    out.print(f"Source: {sheet.standard.source}.", soft_wrap=True)


def _limit_in_words(limit: Limit, units: str) -> str:
    from service.domain.units import symbol
    from service.schemas.correction_documents import QUANTITY_OF_LIMIT, limit_document

    shown, quantity = limit_document(limit, units), QUANTITY_OF_LIMIT.get(limit.what)
    unit = "" if quantity is None else f" {symbol(quantity, units)}"
    place = "inside" if limit.inside else "OUTSIDE"
    what = limit.what.replace("_", " ")
    return f"{what} {shown['value']:.4g}{unit}: {place} {shown['low']:.4g}..{shown['high']:.4g}{unit}"
