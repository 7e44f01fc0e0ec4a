"""Delimited files of one known curve in thirty shapes, with a mapping of each.

The curve is a formula of this file. Unit factors are those printed in NIST Special Publication 811 (2008), appendix
B.8; nothing here comes from the code under test. Words of the columns are dictionary words: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

POWER_KW = {"kW": 1.0, "hp": 0.7456999, "PS": 0.7354988, "cv": 0.7354988, "CH": 0.7354988}
TORQUE_NM = {
    "Nm": 1.0,
    "N.m": 1.0,
    "N·m": 1.0,
    "lbf.ft": 1.355818,
    "lb-ft": 1.355818,
    "ft.lb": 1.355818,
    "kgf.m": 9.80665,
}
WORDS = {
    "en": {"time": "Time", "rpm": "Engine speed", "torque": "Torque", "power": "Power", "lambda": "Lambda",
           "throttle": "Throttle", "inlet": "Intake air temperature", "speed": "Road speed"},
    "de": {"time": "Zeit", "rpm": "Motordrehzahl", "torque": "Drehmoment", "power": "Leistung", "lambda": "Luftzahl",
           "throttle": "Drosselklappe", "inlet": "Ansauglufttemperatur", "speed": "Geschwindigkeit"},
    "fr": {"time": "Temps", "rpm": "Régime moteur", "torque": "Couple", "power": "Puissance", "lambda": "Lambda",
           "throttle": "Papillon", "inlet": "Température admission", "speed": "Vitesse"},
    "es": {"time": "Tiempo", "rpm": "Régimen", "torque": "Par motor", "power": "Potencia", "lambda": "Mezcla",
           "throttle": "Mariposa", "inlet": "Temperatura de admisión", "speed": "Velocidad"},
    "it": {"time": "Tempo", "rpm": "Giri motore", "torque": "Coppia", "power": "Potenza", "lambda": "Lambda",
           "throttle": "Farfalla", "inlet": "Temperatura aspirazione", "speed": "Velocità"},
}  # fmt: skip
UNITS = {"time": "s", "lambda": "-", "throttle": "%", "inlet": "°C", "speed": "km/h"}
DIGITS = {"time": 3, "rpm": 1, "torque": 2, "power": 2, "lambda": 3, "throttle": 1, "inlet": 1, "speed": 1}
MARKED = {"utf-8-sig": "utf-8", "utf-16": "utf-16-le"}
"""Python's words for an encoding with a byte-order mark."""


@dataclass(frozen=True)
class Curve:
    """One true pull: engine speed [rpm], torque [N.m], and what was recorded beside it."""

    time: np.ndarray
    rpm: np.ndarray
    torque: np.ndarray

    @property
    def power(self) -> np.ndarray:
        """[kW]: torque times angular speed."""
        return self.torque * self.rpm * 2.0 * math.pi / 60.0 / 1000.0


def torque_nm(rpm: np.ndarray, lift: float = 0.0) -> np.ndarray:
    """The true torque [N.m] at full load: a broad hump about 4200 rpm."""
    return (212.0 + lift) * np.exp(-(((rpm - 4200.0) / 5200.0) ** 2)) + 6.0 * np.sin(rpm / 450.0)


def trace(lift: float, seed: int, coast: bool) -> Curve:
    """A pull in time at 20 Hz: roll-on at part load, the pull from 1800 to 6600 rpm, coast-down after it."""
    rng = np.random.default_rng(seed)
    rise = 1800.0 + 4800.0 * np.linspace(0.0, 1.0, 160) ** 0.9
    full = torque_nm(rise, lift)
    if not coast:
        return Curve(np.arange(rise.size) / 20.0, rise, full)
    roll = np.linspace(1500.0, 1795.0, 24) + rng.uniform(-4.0, 4.0, 24)
    down = np.linspace(6580.0, 2500.0, 60)
    rpm = np.concatenate([roll, rise, down])
    torque = np.concatenate([0.25 * torque_nm(roll, lift), full, np.full(down.size, -22.0)])
    return Curve(np.arange(rpm.size) / 20.0, rpm, torque)


def table(lift: float, step: float) -> Curve:
    """A pull as means at fixed engine speeds."""
    rpm = np.arange(1750.0, 6500.0 + step / 2.0, step)
    return Curve(np.full(rpm.size, np.nan), rpm, torque_nm(rpm, lift))


@dataclass(frozen=True)
class Shape:
    """How one file is written."""

    name: str
    columns: tuple[str, ...] = ("time", "rpm", "torque", "power")
    language: str = "en"
    separator: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    newline: str = "\n"
    power: str = "kW"
    torque: str = "Nm"
    rpm_unit: str = "rpm"
    unit_style: str = "brackets"  # brackets, comma, line, word, none
    names: bool = True
    arrangement: str = "one"  # one, stacked, side-by-side
    pulls: int = 1
    step: float = 0.0  # rpm between rows; 0: a trace in time
    coast: bool = True
    header: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    blank_every: int = 0
    names_every: int = 0
    ragged: bool = False
    trailing: int = 0
    quoted: bool = False
    noise: float = 0.0  # share, on power only


def curves(shape: Shape) -> list[Curve]:
    """The true pulls of a file; the later ones are a little stronger."""
    make = [12.0 * n for n in range(shape.pulls)]
    if shape.step:
        return [table(lift, shape.step) for lift in make]
    return [trace(lift, seed, shape.coast) for seed, lift in enumerate(make)]


def written(shape: Shape) -> bytes:
    """The file's bytes."""
    blocks = [_block(shape, curve, n) for n, curve in enumerate(curves(shape))]
    names, units = _heads(shape)
    heads = [shape.separator.join(names)] if shape.names else []
    heads += [shape.separator.join(units)] if shape.unit_style == "line" else []
    lines = list(shape.header)
    if shape.arrangement == "side-by-side":
        beside = zip(*blocks, strict=True)
        lines += heads + [shape.separator.join(cell for row in rows for cell in row) for rows in beside]
    else:
        for block in blocks:
            rows = [shape.separator.join(row) for row in block]
            lines += heads + _disturbed(shape, rows, heads)
            lines += [""] if shape.pulls > 1 else []
    lines += list(shape.footer)
    text = shape.newline.join(lines) + shape.newline
    if shape.encoding == "utf-16":
        return b"\xff\xfe" + text.encode("utf-16-le")
    return text.encode(shape.encoding)


def _disturbed(shape: Shape, rows: list[str], heads: list[str]) -> list[str]:
    """Rows with blank lines, the names again and broken rows between them; no true row is lost."""
    out = []
    for n, row in enumerate(rows):
        if shape.names_every and n and n % shape.names_every == 0:
            out += heads
        if shape.blank_every and n and n % shape.blank_every == 0:
            out.append("")
        if shape.ragged and n in (40, 90):
            out.append(shape.separator.join(row.split(shape.separator)[:2]))
        out.append(row)
    return out


def _heads(shape: Shape) -> tuple[list[str], list[str]]:
    names, units = [], []
    for pull in range(shape.pulls if shape.arrangement == "side-by-side" else 1):
        for column in shape.columns:
            word, unit = WORDS[shape.language][column], unit_of(shape, column)
            if shape.arrangement == "side-by-side":
                word = f"{word} {pull + 1}"
            full = {"brackets": f"{word} ({unit})", "comma": f"{word}, {unit}", "word": f"{word} {unit}"}
            name = full.get(shape.unit_style, word)
            names.append(f'"{name}"' if shape.separator == "," and "," in name else name)
            units.append(unit)
    return names + [""] * shape.trailing, units + [""] * shape.trailing


def unit_of(shape: Shape, column: str) -> str:
    """The unit's word of a column."""
    return {"rpm": shape.rpm_unit, "torque": shape.torque, "power": shape.power}.get(column) or UNITS[column]


def _block(shape: Shape, curve: Curve, pull: int) -> list[list[str]]:
    values = as_recorded(shape, curve, pull)
    return [
        [_figure(shape, values[column][n], DIGITS[column]) for column in shape.columns]
        + [""] * shape.trailing
        for n in range(curve.rpm.size)
    ]


def as_recorded(shape: Shape, curve: Curve, pull: int = 0) -> dict[str, np.ndarray]:
    """A true pull in the file's units."""
    rng = np.random.default_rng(100 + pull)
    power = curve.power * (1.0 + shape.noise * rng.standard_normal(curve.rpm.size))
    scale = 0.001 if "1000" in shape.rpm_unit else 1.0
    return {
        "time": curve.time,
        "rpm": curve.rpm * scale,
        "torque": curve.torque / TORQUE_NM[shape.torque],
        "power": power / POWER_KW[shape.power],
        "lambda": 0.88 - 0.00001 * (curve.rpm - 4000.0),
        "throttle": np.full(curve.rpm.size, 99.5),
        "inlet": 24.0 + curve.rpm / 1000.0,
        "speed": curve.rpm / 40.0,
    }


def _figure(shape: Shape, value: float, digits: int) -> str:
    digits += 3 if shape.rpm_unit != "rpm" and "1000" in shape.rpm_unit and digits == 1 else 0
    text = f"{value:,.{digits}f}" if shape.thousands else f"{value:.{digits}f}"
    text = text.replace(",", "\0").replace(".", shape.decimal).replace("\0", shape.thousands)
    return f'"{text}"' if shape.quoted or (shape.separator == "," and "," in text) else text


def mapping_of(shape: Shape) -> str:
    """A mapping as a person would write it, by column numbers."""
    raw = written(shape).decode(shape.encoding).removeprefix("\ufeff")
    first = len(shape.header) + (1 if shape.names else 0) + (1 if shape.unit_style == "line" else 0) + 1
    assert raw.split(shape.newline)[first - 1]
    quoted = {"\t": "\\t"}.get(shape.separator, shape.separator)
    separator = "blanks" if not shape.separator.strip(" ") else quoted
    lines = [
        "[file]",
        f'encoding = "{MARKED.get(shape.encoding, shape.encoding)}"',
        f'separator = "{separator}"',
        f'decimal = "{shape.decimal}"',
        f'thousands = "{shape.thousands.replace(chr(160), " ")}"',
        f"names_line = {len(shape.header) + 1 if shape.names else 0}",
        f"first_row = {first}",
        f"footer_lines = {len(shape.footer)}",
        f'rows = "{"rpm" if shape.step else "time"}"',
        f'pulls = "{shape.arrangement}"',
    ]
    for n, column in enumerate(shape.columns, start=1):
        if column == "speed":
            continue
        side = shape.arrangement == "side-by-side"
        places = [n + len(shape.columns) * pull for pull in range(shape.pulls)] if side else n
        lines += [f"[columns.{column}]", f"number = {places}", f'unit = "{unit_of(shape, column)}"']
    return "\n".join(lines)


SEMI = Shape("", separator=";", decimal=",")
FULL = ("time", "rpm", "speed", "torque", "power", "lambda", "throttle", "inlet")
BY_RPM = ("rpm", "torque", "power")
SHAPES = (
    Shape("comma, plain"),
    replace(SEMI, name="semicolon, decimal comma, German", language="de", rpm_unit="1/min", power="PS"),
    Shape("tab, lbf.ft and hp", separator="\t", power="hp", torque="lbf.ft"),
    Shape("bar", separator="|", unit_style="comma"),
    Shape("blanks", separator="   ", unit_style="word", columns=("rpm", "torque", "power")),
    Shape("comma with a mark", encoding="utf-8-sig", newline="\r\n"),
    replace(SEMI, name="UTF-16 with a mark, Italian", language="it", encoding="utf-16", rpm_unit="giri/min", power="cv"),
    Shape("UTF-16 little-endian without a mark", encoding="utf-16-le", separator="\t", newline="\r\n"),
    Shape("UTF-16 big-endian without a mark", encoding="utf-16-be", separator="\t"),
    replace(SEMI, name="Latin-1, French", language="fr", encoding="latin-1", rpm_unit="tr/min", power="CH", columns=FULL),
    replace(SEMI, name="cp1252, Spanish", language="es", encoding="cp1252", columns=("time", "rpm", "torque", "power", "inlet")),
    Shape("only CR", newline="\r"),
    replace(SEMI, name="thousands point", language="de", thousands=".", rpm_unit="U/min"),
    Shape("thousands comma, quoted", thousands=",", quoted=True, power="hp", torque="lb-ft"),
    replace(SEMI, name="thousands blank", thousands="\u00a0", language="fr", rpm_unit="tr/min"),
    Shape("units on a second line", unit_style="line", columns=FULL, separator="\t"),
    Shape("no units, kW and N.m", unit_style="none"),
    Shape("no units, hp and lbf.ft", unit_style="none", power="hp", torque="lbf.ft", separator=";"),
    Shape("no units, PS and kgf.m", unit_style="none", power="PS", torque="kgf.m", separator=";"),
    Shape("no units, hp and N.m, noisy", unit_style="none", power="hp", noise=0.08),
    Shape("any order", columns=("power", "lambda", "torque", "time", "throttle", "rpm"), separator=";"),
    Shape("header facts and footer", separator=";", columns=FULL,
          header=("Bay: 2", "Date: 18.03.2026 14:05", "Air temp: 21.5 °C", "Barometer;987.2 hPa", "Humidity (%): 41", ""),
          footer=("", "Average;3500;90;180;66;0.88;99;27", "Tyres cold; note;;")),
    Shape("blank lines, names again, ragged rows", blank_every=25, names_every=50, ragged=True, separator=";"),
    Shape("trailing empty columns", trailing=3, separator=";"),
    Shape("by rpm, 50 apart", columns=BY_RPM, step=50.0),
    replace(SEMI, name="by rpm, 250 apart, thousands of rpm", columns=BY_RPM, step=250.0, rpm_unit="x1000 rpm"),
    Shape("stacked in time", arrangement="stacked", pulls=3, separator=";"),
    Shape("stacked by rpm", arrangement="stacked", pulls=2, columns=BY_RPM, step=100.0, separator="\t"),
    replace(SEMI, name="side by side", arrangement="side-by-side", pulls=3, columns=BY_RPM, step=50.0, language="de"),
    Shape("without names", names=False, unit_style="none", separator=";", coast=False),
)  # fmt: skip
