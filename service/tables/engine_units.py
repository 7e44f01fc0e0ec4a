"""Units of power and torque: as written, or from what power over torque and speed must be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.tables.channels import Candidate, Understood, place_line, places_of, quoted, unit_by_figures
from service.tables.errors import Unreadable
from service.tables.layout import Layout
from service.tables.ratio import CONSTANT, Pair, Ratio, pairs_near, ratio
from service.tables.records import CHANNELS, Column, Floats, Open
from service.tables.units import Unit, in_si, one_in_si, unit_in

DECLARED: Final = 0.005  # how far k may lie off 1 in the declared units: common practice, no source
PAIR_NAMES: Final = {
    "kilowatt": "kW",
    "horsepower": "hp",
    "metric_horsepower": "PS",
    "newton * meter": "N.m",
    "foot * force_pound": "lbf.ft",
    "kilogram_force * meter": "kgf.m",
}
UNIT_CHOICES: Final = {
    "torque": ("N.m", "lbf.ft", "kgf.m"),
    "power": ("kW", "hp", "PS"),
    "speed": ("rpm", "x1000 rpm"),
}
"""Offered where a unit is not known; a mapping takes others too."""
SLOW_RPM: Final = 400.0
FAST_RPM: Final = 30_000.0
"""Between them lies the fastest row of a pull; our choice."""
TWO_HORSEPOWERS: Final = frozenset({"hp", "bhp", "whp", "rwhp"})
"""Words that some write for 550 ft.lbf/s and some for 75 kgf.m/s."""

Taken = dict[str, list[Candidate]]


@dataclass(frozen=True)
class _Figures:
    """A channel's figures as written, side-by-side columns below each other, and its unit if it has one."""

    values: Floats
    unit: Unit | None
    written: str

    @property
    def word(self) -> str:
        """The unit's word where it is one we know."""
        return self.written if self.unit else ""


def add_engine(taken: Taken, layout: Layout, told: Understood) -> None:
    """Take engine speed, torque and power with their units. Raises Unreadable where there is no curve among them."""
    if "rpm" not in taken:
        raise Unreadable(
            "no column of engine speed was found; its columns are "
            + (", ".join(repr(name) for name in layout.names) or "without names")
        )
    _add_rpm(taken, layout, told)
    _settle_axle_torque(taken, told)
    power, torque = _figures(taken, "power"), _figures(taken, "torque")
    found = _ratio(taken, power, torque)
    words = {"power": power.word if power else "", "torque": torque.word if torque else ""}
    if found is not None and power is not None and torque is not None:
        words |= _by_ratio(found, power, torque, told)
    _hold_against_each_other(found, power, torque, told)
    for channel in ("torque", "power"):
        _add(channel, words[channel], taken, layout, told)
    axle = _figures(taken, "axle_torque")
    _add("axle_torque", axle.word if axle else "", taken, layout, told)


def _add_rpm(taken: Taken, layout: Layout, told: Understood) -> None:
    group = taken["rpm"]
    word = group[0].head.unit if unit_in(group[0].head.unit, "speed") else ""
    if not word:
        guessed = unit_by_figures("rpm", np.concatenate([one.figures for one in group]))
        if guessed is None:
            raise Unreadable(f"{group[0].quoted()}: its figures are no engine speed; write a mapping")
        word = guessed[0]
        told.reasons.append(f"rpm in {word}: no unit is written, and {guessed[1]}")
    unit = unit_in(word, "speed")
    fastest = max(float(np.nanmax(one.figures)) for one in group)
    if unit is None or not SLOW_RPM < one_in_si(fastest, unit) < FAST_RPM:
        raise Unreadable(
            f"{group[0].quoted()}: {fastest:g} {word} at most is no engine speed; write a mapping"
        )
    told.columns["rpm"] = Column(places_of(group, layout), word)


def _figures(taken: Taken, channel: str) -> _Figures | None:
    group = taken.get(channel)
    if not group:
        return None
    unit = unit_in(group[0].head.unit, CHANNELS[channel])
    values = np.concatenate([one.figures for one in group])
    return _Figures(values, unit, group[0].head.unit)


def _rpm(taken: Taken, times: int) -> Floats:
    """Engine speed as often as there are pulls side by side [rpm]."""
    group = taken["rpm"]
    values = [one.figures for one in group] * (times if len(group) == 1 else 1)
    unit = unit_in(group[0].head.unit, "speed")
    joined = np.concatenate(values)
    if unit is None:
        return joined * (1000.0 if np.nanmax(joined) < 25.0 else 1.0)
    return in_si(joined, unit)


def _ratio(taken: Taken, power: _Figures | None, torque: _Figures | None) -> Ratio | None:
    """k of the figures as written."""
    if power is None or torque is None or power.values.size != torque.values.size:
        return None
    rpm = _rpm(taken, len(taken["power"]))
    if rpm.size != power.values.size:
        return None
    known = np.isfinite(rpm) & np.isfinite(power.values) & np.isfinite(torque.values)
    return ratio(power.values[known], torque.values[known], rpm[known])


def _settle_axle_torque(taken: Taken, told: Understood) -> None:
    """A torque named of wheel or axle is the engine's by speed where power = torque x speed holds, else the axle's own."""
    if "axle_torque" not in taken or "torque" in taken:
        return
    found = _ratio(taken, _figures(taken, "power"), _figures(taken, "axle_torque"))
    quoted = taken["axle_torque"][0].quoted()
    if found is None:
        told.doubts.append(
            f"{quoted} is taken as the axle's own torque, which needs the gear's ratio; make it [columns.torque] if it is "
            "the wheels' power over engine speed"
        )
    elif found.spread <= CONSTANT and pairs_near(found, *_names(taken, "axle_torque")):
        taken["torque"] = taken.pop("axle_torque")
        told.reasons.append(f"{quoted} goes with power and engine speed (k = {found.k:.4f}): it is `torque`")
    else:
        told.reasons.append(f"{quoted} does not go with power and engine speed: it is the axle's own torque")


def _names(taken: Taken, torque: str) -> tuple[str | None, str | None]:
    return _pair_name(_figures(taken, "power")), _pair_name(_figures(taken, torque))


def _pair_name(figures: _Figures | None) -> str | None:
    return PAIR_NAMES.get(figures.unit.pint_name) if figures and figures.unit else None


def _by_ratio(found: Ratio, power: _Figures, torque: _Figures, told: Understood) -> dict[str, str]:
    """Units that are not written, from k; a doubt where several pairs come near it."""
    if power.unit and torque.unit:
        return {}
    pairs = pairs_near(found, _pair_name(power), _pair_name(torque))
    said = f"k = 9549.3 x power / (torque x rpm) is {found.k:.4f}"
    if len(pairs) == 1 and found.spread <= CONSTANT:
        told.reasons.append(
            f"power in {pairs[0].power} and torque in {pairs[0].torque}: {said}, theirs {pairs[0].k:.4f}"
        )
        told.doubts += [
            f"{figures.written!r} is no unit known here; its figures are as {pairs[0].power} and {pairs[0].torque}"
            for figures in (power, torque)
            if figures.written and not figures.unit
        ]
        return _words(pairs[0], power, torque)
    if pairs:
        listed = " or ".join(f"{pair.power} and {pair.torque} ({pair.k:.4f})" for pair in pairs)
        told.doubts.append(
            f"units of power and torque are not written, and cannot be told apart: {said}; {listed}"
        )
    else:
        told.doubts.append(
            f"units of power and torque are not written, and {said}, which is no pair's known here"
        )
    return {}


def _words(pair: Pair, power: _Figures, torque: _Figures) -> dict[str, str]:
    return {"power": power.word or pair.power, "torque": torque.word or pair.torque}


def _hold_against_each_other(
    found: Ratio | None, power: _Figures | None, torque: _Figures | None, told: Understood
) -> None:
    """Written units against k (never mended), and the two horsepowers."""
    agreed = None
    if found and power and power.unit and torque and torque.unit:
        k = found.k * one_in_si(1.0, power.unit) / one_in_si(1.0, torque.unit)
        agreed = abs(k - 1.0) <= DECLARED
        if agreed:
            told.reasons.append(f"power and torque agree in {power.word} and {torque.word}: k = {k:.4f}")
        else:
            near = " or ".join(f"{pair.power} and {pair.torque}" for pair in pairs_near(found))
            told.doubts.append(
                f"in {power.word} and {torque.word} power is {k:.4f} times torque x speed"
                + (f", as if they were {near}" if near else "")
                + "; say which unit, place or correction is meant"
            )
    if power and power.word.lower() in TWO_HORSEPOWERS and not agreed:
        told.doubts.append(
            f'{power.word!r} is taken as 550 ft.lbf/s (745.7 W); if 75 kgf.m/s is meant (735.5 W), say unit = "PS"'
        )


def _add(channel: str, word: str, taken: Taken, layout: Layout, told: Understood) -> None:
    group: Sequence[Candidate] = taken.get(channel, ())
    if not group:
        return
    if word:
        told.columns[channel] = Column(places_of(group, layout), word)
        return
    written = group[0].head.unit
    why = f"its unit {written!r} is not known here" if written else "its unit is not written"
    choices = UNIT_CHOICES[CHANNELS[channel]]
    told.doubts.append(
        f"{group[0].quoted()}, left out: {why}; to take it write under [columns.{channel}] the column and unit = "
        + " or ".join(quoted(choice) for choice in choices)
    )
    told.open.append(open_unit(channel, group, layout, why))


def open_unit(channel: str, group: Sequence[Candidate], layout: Layout, why: str) -> Open:
    """A torque or power whose unit waits for a person."""
    choices = (f"unit = {quoted(choice)}" for choice in UNIT_CHOICES[CHANNELS[channel]])
    return Open(
        f"columns.{channel}", f"{group[0].quoted()}: {why}", (place_line(places_of(group, layout)), *choices)
    )
