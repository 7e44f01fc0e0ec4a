"""`python -m seed.recovered --url URL`: how often a filled ledger's answers hold what is true in the invented shop.

Every question is asked over HTTP as the counter asks it; what is true stands in the file that filling wrote. Printed
is how many of the shown intervals hold the truth, beside the share that their level claims, by grade of evidence.
"""

import argparse
import json
import math
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np

LEVEL = 0.9
DEVIATIONS = 2.0
"""A share is in its band while it is no more than this many binomial standard errors from what is claimed."""
Json = dict[str, Any]


@dataclass
class Held:
    """How many of the intervals of one kind held the truth, and how wide they were in all [percent]."""

    asked: float = 0.0
    held: float = 0.0
    width: float = 0.0

    def count(self, true: float, interval: list[float] | None, share: float = 1.0) -> None:
        """One interval [percent] against what is true, or a share of one; an answer without one is not counted."""
        if interval is not None:
            self.asked += share
            self.held += share * (interval[0] <= true <= interval[1])
            self.width += share * (interval[1] - interval[0])

    def line(self, name: str) -> str:
        """What stands in the table."""
        if not self.asked:
            return f"{name:<44} none"
        share, error = self.held / self.asked, math.sqrt(LEVEL * (1 - LEVEL) / self.asked)
        within = abs(share - LEVEL) <= DEVIATIONS * error
        verdict = "as claimed" if within else "more often" if share > LEVEL else "LESS OFTEN"
        return (
            f"{name:<44} {share:5.2f} of {self.asked:>5.0f}   claimed {LEVEL:.2f} +- {DEVIATIONS * error:.2f}   "
            f"mean width {self.width / self.asked:5.1f} %   {verdict}"
        )


@dataclass
class Found:
    """Everything counted."""

    kinds: dict[str, Held] = field(default_factory=lambda: defaultdict(Held))

    def count(self, kind: str, true: float, interval: list[float] | None, share: float = 1.0) -> None:
        """One more interval of a kind."""
        self.kinds[kind].count(true, interval, share)

    def lines(self) -> Iterator[str]:
        """The table."""
        for kind in sorted(self.kinds):
            yield self.kinds[kind].line(kind)


def percent(log_percent: float) -> float:
    """Log-% as percent."""
    return 100.0 * math.expm1(log_percent / 100.0)


def recovered(truth: Json, http: httpx.Client) -> Found:
    """Ask about every part on every platform, and about the bays."""
    found = Found()
    cars = cars_by_part(truth)
    for platform, parts in truth["gains"].items():
        for part, true in parts.items():
            answer = ask(http, "/v1/typical-gain", part=part, platform=platform, units="si", level=LEVEL)
            count_gain(found, true, cars[platform, part], answer)
    count_bays(found, truth, http)
    return found


def ask(http: httpx.Client, path: str, **question: Any) -> Json:
    """One question, answered or raised."""
    return dict(http.get(path, params=question).raise_for_status().json())


def cars_by_part(truth: Json) -> dict[tuple[str, str], list[float]]:
    """Each car's own true gain [log-%] by platform and part."""
    gains: dict[tuple[str, str], list[float]] = defaultdict(list)
    for car in truth["cars"].values():
        for part, gain in car["gains"].items():
            gains[car["platform"], part].append(gain)
    return gains


def count_gain(found: Found, true: Json, own: list[float], answer: Json) -> None:
    """The typical gain, one more car's, and the curve at each drawn knot."""
    grade = answer["evidence"]["grade"]
    found.count(f"typical gain, {grade}", percent(true["peak_power"]), answer.get("typical_interval_percent"))
    for gain in own:
        found.count(f"a car's own gain, {grade}", percent(gain), answer.get("next_car_interval_percent"))
    if curve := answer["curve"]:
        low, high = (np.array(curve[f"{side}_percent"], dtype=float) for side in ("low", "high"))
        at = true["curve"]
        real = np.interp(curve["rpm"], at["rpm"], [percent(gain) for gain in at["gain"]])
        drawn = np.flatnonzero(np.isfinite(low) & np.isfinite(high))
        for i in drawn:  # the speeds of one curve say much the same: together they count once
            ends = [float(low[i]), float(high[i])]
            found.count(f"gain at a speed, {grade}", float(real[i]), ends, 1.0 / len(drawn))


def count_bays(found: Found, truth: Json, http: httpx.Client) -> None:
    """Each bay's offset at the end, against the mean over the bays, each at the mean of its stretches between events."""
    stretches = {slug: levels_of(bay, events_of(http, slug)) for slug, bay in truth["bays"].items()}
    middle = sum(sum(levels) / len(levels) for levels in stretches.values()) / len(stretches)
    for bay in ask(http, "/v1/bay-agreement", level=LEVEL)["items"]:
        found.count("a bay's offset", percent(stretches[bay["bay"]][-1] - middle), bay["interval"])


def events_of(http: httpx.Client, bay: str) -> list[str]:
    """The dates of a bay's recorded events, ascending."""
    return sorted(event["at"][:10] for event in ask(http, f"/v1/bays/{bay}/events")["items"])


def levels_of(bay: Json, events: list[str]) -> list[float]:
    """A bay's true level [log-%] in each stretch between its recorded events."""
    steps = bay["steps"]
    return [
        bay["offset"] + sum(step["step"] for step in steps if step["on"] <= since) for since in ("", *events)
    ]


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m seed.recovered", description=__doc__)
    parser.add_argument("--url", default="http://127.0.0.1:8321", help="address of the filled ledger")
    parser.add_argument("--truth", type=Path, default=Path(".bayledger/demo-truth.json"), help="what is true")
    asked = parser.parse_args(arguments)
    truth = json.loads(asked.truth.read_text(encoding="utf-8"))
    with httpx.Client(base_url=asked.url, timeout=60.0) as http:
        for line in recovered(truth, http).lines():
            print(line)
    return 0


if __name__ == "__main__":
    sys.exit(main())
