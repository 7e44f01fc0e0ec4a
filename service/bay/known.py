"""What can be said of a pull beside its file: which keys there are, what each takes, and whose word counts.

The same keys stand in a sidecar (`FILE.toml`), as flags, under `[defaults]` of bay.toml, and in what is remembered of the
session in work. Values leave here as the ledger's document takes them, in SI; what nobody said is simply not there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from service.domain.correction import STANDARDS
from service.domain.units import to_si

Said = dict[str, Any]
SLUG: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
NOTHING_FITTED: Final = "none"
LONGEST_REASON: Final = 500
"""The ledger's limit [characters]."""


class NotUnderstood(ValueError):
    """What was said cannot be used; every fault is a sentence of its own."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True)
class Key:
    """One key. `of`: what it belongs to, and so how long it is remembered: the `car` strapped down, its `state`, the
    `air` in the bay, how the machine writes its `file` (all as long as the session is in work), one `pull` (never)."""

    of: str
    meaning: str
    read: Callable[[Any], Any]
    quantity: str | None = None


def text(value: Any) -> str:
    """Words, kept as they are."""
    if not isinstance(value, str) or not value.strip():
        raise ValueError("must be text in quotes")
    return value.strip()


def reason(value: Any) -> str:
    """Why a pull is rejected, in words that the ledger takes."""
    words = text(value)
    if len(words) > LONGEST_REASON:
        raise ValueError(f"has {len(words)} characters; write at most {LONGEST_REASON}")
    return words


def slug(value: Any) -> str:
    """A short name."""
    if not isinstance(value, str) or not SLUG.fullmatch(value):
        raise ValueError("must be a short name: 1 to 64 of a-z, 0-9 and -")
    return value


def number(value: Any) -> float:
    """A number; a flag's text is read as one."""
    if isinstance(value, bool):
        raise ValueError("must be a number")
    try:
        read = float(value)
    except (TypeError, ValueError, OverflowError):
        raise ValueError("must be a number, with a decimal point") from None
    if not math.isfinite(read):  # "nan" and "inf" are numbers to Python and to no instrument
        raise ValueError("must be a number, with a decimal point")
    return read


def whole(value: Any) -> int:
    """A whole number."""
    read = number(value)
    if read != int(read):
        raise ValueError("must be a whole number")
    return int(read)


def one_of(*words: str) -> Callable[[Any], str]:
    """One of a few words."""

    def read(value: Any) -> str:
        if value not in words:
            raise ValueError(f"must be one of {', '.join(words)}")
        return str(value)

    return read


def parts(value: Any) -> list[Any]:
    """A list of parts: slugs, `slug:slot` for a part that fills several slots, or `none`."""
    listed = [one.strip() for one in value.split(",")] if isinstance(value, str) else value
    if not isinstance(listed, list) or listed == [""]:
        raise ValueError('must list what is fitted, such as "wide-pipe,road-map", or "none"')
    return [] if listed == [NOTHING_FITTED] else [part(one) for one in listed]


def part(value: Any) -> Any:
    """One part, with its slot where that is said."""
    if isinstance(value, dict):
        return {name: slug(one) for name, one in value.items() if name in ("part", "slot")}
    name, _, slot = str(value).partition(":")
    return {"part": slug(name), "slot": slug(slot)} if slot else slug(name)


def basis(value: Any) -> Any:
    """`observed`, or the standard the figures were corrected to, with its factor: `sae-j1349` or `sae-j1349:1.02`."""
    if isinstance(value, dict):
        named, factor = value.get("standard"), value.get("factor")
    else:
        named, _, factor = str(value).partition(":")
        if named == "observed" and not factor:
            return named
    if not isinstance(named, str) or named not in STANDARDS:
        raise ValueError(f"must be observed, or the standard it was corrected to: {', '.join(STANDARDS)}")
    return {"standard": named} | ({} if factor in (None, "") else {"factor": number(factor)})


def moment(value: Any) -> str:
    """A time; one without an offset is this computer's."""
    try:
        read = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
        return (read if read.tzinfo else read.astimezone()).isoformat()
    except (ValueError, OverflowError):  # the latter for a day that no calendar here reaches
        raise ValueError("must be a time such as 2026-03-18T10:05:00+00:00") from None


KEYS: Final[Mapping[str, Key]] = {
    "car": Key("car", "the car's tag", slug),
    "operator": Key("car", "who runs it: initials or a number", text),
    "gear": Key("car", "gear of the pulls", whole),
    "ratio": Key("car", "turns of the engine for one of the driven axle", number),
    "tyre_size": Key("car", "size as written on the tyre", text),
    "tyre_pressure": Key("car", "tyre pressure above the air's", number, "tyre_pressure"),
    "parts": Key("state", "all that is fitted and not stock, with commas; `none` for nothing", parts),
    "parts_known": Key("state", "complete, partial or unknown", one_of("complete", "partial", "unknown")),
    "stock_checked": Key(
        "state", "verified, declared or unknown", one_of("verified", "declared", "unknown")
    ),
    "label": Key("state", "your own words for this setup", text),
    "ethanol": Key("state", "measured share of ethanol, 0..1", number),
    "octane": Key("state", "octane number", number),
    "octane_method": Key("state", "ron, mon or aki", one_of("ron", "mon", "aki")),
    "spark_advance": Key("state", "spark advance at peak torque [deg]", number),
    "lambda_probe": Key(
        "state",
        "before-catalyst, after-catalyst or tailpipe",
        one_of("before-catalyst", "after-catalyst", "tailpipe"),
    ),
    "temperature": Key("air", "air temperature in the bay", number, "temperature"),
    "pressure": Key("air", "absolute station pressure, not the weather report's", number, "pressure"),
    "humidity": Key("air", "relative humidity, 0..1", number),
    "dew_point": Key("air", "dew point, instead of humidity", number, "temperature"),
    "coolant": Key("pull", "coolant temperature at the start", number, "temperature"),
    "oil": Key("pull", "oil temperature at the start", number, "temperature"),
    "inlet": Key("pull", "inlet air temperature at the start", number, "temperature"),
    "inlet_end": Key("pull", "inlet air temperature at the end", number, "temperature"),
    "started_at": Key("pull", "when the pull began", moment),
    "status": Key(
        "pull", "accepted, settling or rejected", one_of("accepted", "settling", "rejected")
    ),
    "reason": Key("pull", "why it is rejected", reason),
    "test": Key("file", "sweep, inertia or steps", one_of("sweep", "inertia", "steps")),
    "ramp": Key("pull", "rise of engine speed [rpm/s]", number),
    "basis": Key("file", "observed, or the standard it was corrected to, as sae-j1349:1.02", basis),
    "smoothing": Key("file", "how the file's curve was smoothed, in the machine's words", text),
    "smoothing_width": Key("file", "width of that smoothing [rpm]", number),
}  # fmt: skip
NEEDED: Final = ("car", "parts", "basis")
"""What no post can be without, and no program can know."""
OF_ONE_STATE: Final = ("label", "spark_advance", "lambda_probe")
"""Not remembered once other parts are named: words and settings of the state that was."""


def understood(said: Mapping[str, Any], where: str, units: str) -> Said:
    """What was said, checked and in SI; None means not said. Raises NotUnderstood with every fault at once."""
    read: Said = {}
    faults: list[str] = []
    for name, value in said.items():
        if value is None:
            continue
        key = KEYS.get(name)
        if key is None:
            faults.append(f"{where}: there is no key {name!r}; there are {', '.join(KEYS)}")
            continue
        try:
            read[name] = in_si(key, key.read(value), units)
        except ValueError as error:
            faults.append(f"{where}: {name} = {value!r} {error}")
    faults += contradictions(read, where)
    if faults:
        raise NotUnderstood(faults)
    return read


def in_si(key: Key, value: Any, units: str) -> Any:
    """A quantity in SI; anything else as it is."""
    if key.quantity is None:
        return value
    turned = nine_digits(float(to_si(value, key.quantity, units)))
    if not math.isfinite(turned):
        raise ValueError("is beyond any instrument")
    return turned


def nine_digits(value: float) -> float:
    """A figure without the dust of a conversion. The ledger keeps a sample in 32 bits, which come back from nine digits."""
    return float(f"{value:.9g}")


def contradictions(said: Said, where: str) -> Iterator[str]:
    """What one and the same person cannot have meant."""
    if said.get("status") == "rejected" and "reason" not in said:
        yield f"{where}: status = 'rejected' needs a reason beside it"
    if "humidity" in said and "dew_point" in said:
        yield f"{where}: give humidity or dew_point, not both"


def told_first(*layers: Mapping[str, Any]) -> Said:
    """What the first that says anything of a key says of it. Humidity and dew point are one thing said in two ways."""
    told: Said = {}
    for layer in layers:
        moist = "humidity" in told or "dew_point" in told
        told |= {
            name: value
            for name, value in layer.items()
            if name not in told and not (moist and name in ("humidity", "dew_point"))
        }
    return told


def of(said: Mapping[str, Any], *kinds: str) -> Said:
    """What of it belongs to the car, the state, the air or the pull."""
    return {name: value for name, value in said.items() if KEYS[name].of in kinds}
