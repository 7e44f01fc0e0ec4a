"""The columns of an invented shop's old spreadsheet: their headings, and what a mapping says of them."""

from typing import NamedTuple


class Column(NamedTuple):
    """A heading, and what a mapping adds to it."""

    heading: str
    told: str = ""


COLUMNS = {
    "date": Column("Date", 'format = "%d.%m.%Y"'),
    "vehicle": Column("Car"),
    "bay": Column("Bay"),
    "parts": Column("Fitted", 'separator = "+"'),
    "power": Column("kW", 'unit = "kW"'),
    "power_rpm": Column("rpm", 'unit = "rpm"'),
    "torque": Column("Nm", 'unit = "Nm"'),
    "torque_rpm": Column("at", 'unit = "rpm"'),
    "best_of": Column("Best of"),
    "notes": Column("Notes"),
    "temperature": Column("Air", 'unit = "°C"'),
    "pressure": Column("Baro", 'unit = "hPa"'),
    "humidity": Column("RH", 'unit = "%"'),
    "coolant": Column("Water", 'unit = "°C"'),
    "inlet": Column("Inlet", 'unit = "°C"'),
    "standard": Column("Basis"),
    "curve": Column("Curve"),
}
EVERY = """\
[every]
zone = "Europe/London"
clock = "12:00"
parts_known = "complete"
"""


def headings(*columns: str) -> tuple[str, ...]:
    """How these columns are headed."""
    return tuple(COLUMNS[column].heading for column in columns)


def mapped(*columns: str) -> str:
    """What a mapping says of these columns."""
    lines = [
        line
        for column in columns
        for line in (f"[columns.{column}]", f'name = "{COLUMNS[column].heading}"', COLUMNS[column].told)
        if line
    ]
    return "\n".join(lines) + "\n"
