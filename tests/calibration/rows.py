"""The rows of the report: each measure with its target, computed from the scores of all shops of one size.

The targets are those that were set for the model before it was built (`our choice`); n is the number of cars of a
platform measured with and without a part, all else equal.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.calibration.direct import CLASSES, class_of
from tests.calibration.figures import (
    Figure,
    at_most,
    bias,
    mean_of,
    mean_size,
    ratio,
    rms,
    root_mean_square,
    share,
)
from tests.calibration.gain_scores import ASKED, MIXED_ONLY, NEVER_SEEN, NOT_SEEN_HERE
from tests.calibration.solved import Found
from tests.calibration.world import Floats

Pool = dict[str, Found]
"""Scores of all shops of one size, by subject."""

RMSE_MOST = {"1": 0.60, "2": 0.65, "3": 0.60, "4-6": 0.75, "7-13": 0.55}
MAE_MOST = 0.55
DECILE_MOST = 0.08
PLATFORM_CARS, SIDE_CARS = 30, 10
PRECISION, RECALL = 0.75, 0.35
Z90 = 1.6449


@dataclass(frozen=True)
class Row:
    """A measure: its words, its target, the subject whose scores it needs, and its figures by size of shop."""

    words: str
    target: str
    subject: str
    figures: Callable[[Pool, str], Iterator[Figure]]


def classes(gains: Found) -> Iterator[tuple[str, np.ndarray]]:
    """Cells by class: with clean pairs by their number, without any by what else there is."""
    kinds = gains["kind"]
    yield "0, elsewhere", kinds == NOT_SEEN_HERE
    yield "0, mixed", kinds == MIXED_ONLY
    named = np.array([class_of(int(kind)) if kind >= 1.0 else "" for kind in kinds])
    for name in CLASSES[1:]:
        yield name, named == name


def typical_coverage(pool: Pool, size: str) -> Iterator[Figure]:
    """Typical gains inside their intervals."""
    gains = pool["gains"]
    inside = (gains["low"] <= gains["truth"]) & (gains["truth"] <= gains["high"])
    band = (0.86, 0.94) if size == "shop" else (0.85, 0.98)
    for name, cells in classes(gains):
        low, high = band if name != "14+" else (None, None)
        width = 100.0 * mean_of((gains["high"] - gains["low"])[cells])
        yield share(name, inside[cells], low, high, beside=f", {width:.1f} % wide")
    never = gains["kind"] == NEVER_SEEN
    yield share("part never seen", inside[never])


def next_car_coverage(pool: Pool, size: str) -> Iterator[Figure]:
    """True gains of further cars inside their intervals."""
    gains = pool["gains"]
    for name, cells in classes(gains):
        low, high = (0.88, 0.95) if name != "14+" else (None, None)
        width = 100.0 * mean_of(gains["next_width"][cells])
        yield share(name, gains["next"][cells], low, high, beside=f", {width:.1f} % wide")


def held_out(pool: Pool, size: str) -> Iterator[Figure]:
    """Measured gains of cars that the model never saw, inside their intervals."""
    held = pool["held"]
    inside = (held["low"] <= held["read"]) & (held["read"] <= held["high"])
    yield share("all", inside, 0.87, 0.94)
    for words, least, most in (("0", 0, 0), ("1", 1, 1), ("2-3", 2, 3), ("4+", 4, np.inf)):
        cells = (held["cars"] >= least) & (held["cars"] <= most)
        width = 100.0 * mean_of((held["high"] - held["low"])[cells])
        yield share(f"{words} cars left", inside[cells], beside=f", {width:.1f} % wide")


def rmse_against_naive(pool: Pool, size: str) -> Iterator[Figure]:
    """Root mean square error against that of best after minus best before, same cells."""
    yield from against_naive(pool, rms, RMSE_MOST)


def mae_against_naive(pool: Pool, size: str) -> Iterator[Figure]:
    """Mean absolute error against the same."""
    yield from against_naive(pool, mean_size, dict.fromkeys(RMSE_MOST, MAE_MOST))


def against_naive(
    pool: Pool, error: Callable[[np.ndarray], float], most: dict[str, float]
) -> Iterator[Figure]:
    """One kind of error against its like, by class; beside it what is left where all cars' own true gains are known."""
    gains = pool["gains"]
    for name, cells in classes(gains):
        if name[0] != "0":
            ours = error((gains["mean"] - gains["truth"])[cells])
            theirs = error((gains["naive"] - gains["truth"])[cells])
            yield ratio(name, ours, theirs, int(cells.sum()), most.get(name))
            known = error((gains["known"] - gains["truth"])[cells])
            yield ratio(f"{name}, these cars' true gains", known, theirs, int(cells.sum()), None)


def borrowed(pool: Pool, size: str) -> Iterator[Figure]:
    """Parts without a car here, against how far gains differ anyway; beside it what is left to one who knows the slot's mean,
    the part and the slot on this platform without error."""
    gains = pool["gains"]
    for words, kind, most in (
        ("elsewhere", NOT_SEEN_HERE, 0.45),
        ("mixed", MIXED_ONLY, None),
        ("never seen", NEVER_SEEN, None),
    ):
        cells = gains["kind"] == kind
        error, spread = rms((gains["mean"] - gains["truth"])[cells]), float(np.std(gains["truth"]))
        yield ratio(words, error, spread, int(cells.sum()), most)
        left = rms((gains["elsewhere"] - gains["truth"])[cells])
        yield ratio(f"{words}, all but the part here known", left, spread, int(cells.sum()), None)


def biases(pool: Pool, size: str) -> Iterator[Figure]:
    """Mean error of typical gains."""
    gains = pool["gains"]
    for name, cells in classes(gains):
        if name[0] != "0":
            yield bias(name, (gains["mean"] - gains["truth"])[cells], 0.003)


def bay_errors(pool: Pool, size: str) -> Iterator[Figure]:
    """Levels of bays, those with an unrecorded step apart; the latter also once the alarm was entered as an event."""
    bays = pool["bays"]
    plain = bays["stepped"] == 0.0
    errors = bays["mean"] - bays["truth"]
    most = {"shop": 0.0020, "small": 0.0055}.get(size)
    yield root_mean_square("level error", errors[plain], most)
    yield root_mean_square("naive", (bays["naive"] - bays["truth"])[plain])
    yield root_mean_square("with an unrecorded step", errors[~plain])
    if "bays recorded" in pool:
        after = pool["bays recorded"]
        yield root_mean_square(
            "its alarm recorded", (after["mean"] - after["truth"])[after["stepped"] == 1.0]
        )


def bay_coverage(pool: Pool, size: str) -> Iterator[Figure]:
    """Levels of bays inside their intervals."""
    bays = pool["bays"]
    inside = np.abs(bays["mean"] - bays["truth"]) <= Z90 * bays["sd"]
    plain = bays["stepped"] == 0.0
    yield share("no unrecorded step", inside[plain], 0.85, 0.95)
    yield share("with one", inside[~plain])


def odd_cars(pool: Pool, size: str) -> Iterator[Figure]:
    """Tired cars and hidden parts among cars tested stock."""
    odd = pool["odd"]
    for words, called in (
        ("score > 3", odd["score"] > 3.0),
        ("5 % false", odd["believed"] == 1.0),
        ("score > 2.5", odd["score"] > 2.5),
    ):
        asked = (PRECISION, RECALL) if words == "score > 3" else (None, None)
        yield share(f"precision, {words}", odd["odd"][called], asked[0])
        yield share(f"recall, {words}", called[odd["odd"] == 1.0], asked[1])
    truly = odd["odd"][np.argsort(-odd["score"])]
    enough = int(np.searchsorted(np.cumsum(truly), RECALL * truly.sum())) + 1
    yield share(f"precision at recall {RECALL}", truly[:enough], PRECISION)
    known = odd["oracle"] > 3.0
    yield share("precision of one who knows all levels", odd["odd"][known])
    yield share("recall of one who knows all levels", known[odd["odd"] == 1.0])


def faulty_setups(pool: Pool, size: str) -> Iterator[Figure]:
    """Setups with a wrong factor or part, of cars with several."""
    setups = pool["setups"]
    called = setups["score"] > 3.5
    yield share("precision, score > 3.5", (setups["wrong_factor"] + setups["mis_keyed"] > 0.0)[called])
    yield share("recall, wrong factor", called[setups["wrong_factor"] == 1.0])
    yield share("recall, mis-keyed part", called[setups["mis_keyed"] == 1.0])


def heat_soak(pool: Pool, size: str) -> Iterator[Figure]:
    """Heat-soaked setups of three pulls and more."""
    soak = pool["soak"]
    yield share("precision", soak["soaked"][soak["called"] == 1.0], 0.95)
    yield share("recall", soak["called"][soak["soaked"] == 1.0], 0.90)


def percentiles(pool: Pool, size: str) -> Iterator[Figure]:
    """Where a stock car lies among its kind, also once alarms of bays were entered as events."""
    for subject, when in (("places", ""), ("places recorded", ", alarms of bays recorded")):
        if subject in pool:
            yield from percentile_figures(pool[subject], when)


def percentile_figures(places: Found, when: str) -> Iterator[Figure]:
    """Errors and coverage of platforms with enough cars; held to the targets as the history stands."""
    many = places["peers"] >= PLATFORM_CARS
    judged = not when
    error = (places["told"] - places["truth"])[many] / 100.0
    yield root_mean_square(f"error{when}", error, 0.12 if judged else None, percent=False)
    if judged:
        raw = (places["raw"] - places["truth"])[many] / 100.0
        yield root_mean_square("raw rank", raw, percent=False)
    inside = within(places["low"], places["truth"], places["high"])
    width = mean_of((places["high"] - places["low"])[many])
    band = (0.85, 0.95) if judged else (None, None)
    yield share(f"coverage{when}", inside[many], *band, beside=f", {width:.0f} points wide")


def within(low: Floats, value: Floats, high: Floats) -> NDArray[np.bool_]:
    """Where a value lies in its interval."""
    return (low <= value) & (value <= high)


def right_side(pool: Pool, size: str) -> Iterator[Figure]:
    """Whether a stock car is put on the right side of the average."""
    places = pool["places"]
    many = places["peers"] >= SIDE_CARS
    truly = places["truth"] > 50.0
    yield share("right side", ((places["told"] > 50.0) == truly)[many], 0.87)
    yield share("raw rank", ((places["raw"] > 50.0) == truly)[many])


def joint_changes(pool: Pool, size: str) -> Iterator[Figure]:
    """What each of several parts changed at once gave the car."""
    joint = pool["joint"]
    error = joint["mean"] - joint["truth"]
    yield root_mean_square("error", error, 0.015)
    yield root_mean_square("typical gain alone", joint["typical"] - joint["truth"])
    yield root_mean_square("equal split", joint["equal"] - joint["truth"])
    yield share("coverage", np.abs(error) <= Z90 * joint["sd"], 0.87, 0.95)


def worth(pool: Pool, size: str) -> Iterator[Figure]:
    """True gain for the money of what is chosen, against the best there is."""
    choice = pool["choice"]
    for words, name, least in (
        ("by mean", "chosen", 0.90),
        ("cautious", "cautious", None),
        ("naive pairs", "naive", None),
    ):
        values = choice[name][np.isfinite(choice[name])]
        value = mean_of(values)
        yield Figure(words, value, len(values), least, None, f"{value:.2f}")
    yield share("told best is best", choice["truly"], beside=f", told {mean_of(choice['told']):.2f}")


def curves(pool: Pool, size: str) -> Iterator[Figure]:
    """Gains over the rev range."""
    found = pool["curves"]
    for words, name in (("pointwise", "pointwise"), ("whole curve", "whole"), ("next car", "next")):
        yield share(words, found[name], 0.86, 0.94)
    for name, cells in ((c, np.array([class_of(int(n)) == c for n in found["cars"]])) for c in CLASSES):
        yield root_mean_square(f"error, {name}", found["error"][cells])


def deciles(pool: Pool, size: str) -> Iterator[Figure]:
    """Chances of at least so much against how often it came, in tenths of the chance told."""
    gains = pool["gains"]
    told = np.concatenate([gains[f"chance_{place}"] for place in range(1, len(ASKED))])
    came = np.concatenate([gains[f"came_{place}"] for place in range(1, len(ASKED))])
    for tenth in range(10):
        cells = (told >= tenth / 10.0) & ((told < (tenth + 1) / 10.0) | (tenth == 9))
        mean = mean_of(told[cells])
        low, high = max(0.0, mean - DECILE_MOST), min(1.0, mean + DECILE_MOST)
        yield share(
            f"{tenth / 10:.1f}-{(tenth + 1) / 10:.1f}", came[cells], low, high, beside=f", told {mean:.2f}"
        )


def losses(pool: Pool, size: str) -> Iterator[Figure]:
    """Chances of a loss against how often it came."""
    gains = pool["gains"]
    told, came = 1.0 - gains["chance_0"], 1.0 - gains["came_0"]
    for least, most in ((0.0, 0.01), (0.01, 0.05), (0.05, 0.1), (0.1, 0.2), (0.2, 0.4), (0.4, 1.01)):
        cells = (told >= least) & (told < most)
        beside = f", told {mean_of(told[cells]):.2f}"
        yield share(f"{least:g}-{min(most, 1.0):g}", came[cells], beside=beside)


def recalibrations(pool: Pool, size: str) -> Iterator[Figure]:
    """Unrecorded steps of bays."""
    steps = pool["steps"]
    large, none = np.abs(steps["truth"]) >= 0.04, steps["truth"] == 0.0
    yield share("found, 4 % and more", (steps["found"] > 0.0)[large], 0.90)
    yield share("found, less", (steps["found"] > 0.0)[~large & ~none])
    yield share("bays with a false alarm", (steps["found"] > 0.0)[none], None, 0.05)
    seen = large & (steps["found"] > 0.0)
    size_of = mean_of(steps["size"][seen] / steps["truth"][seen])
    days = float(np.median(steps["days"][seen])) if seen.any() else np.nan
    yield at_most("size found over true", size_of, int(seen.sum()), None, f"{size_of:.2f}")
    yield at_most("date off, median", days, int(seen.sum()), None, f"{days:.0f} days")


def speed(pool: Pool, size: str) -> Iterator[Figure]:
    """Time of one core."""
    found = pool["speed"]
    for words, name, most in (
        ("answer", "answer", 0.005),
        ("one car changed", "update", 0.020),
        ("build", "build", None),
    ):
        value = float(np.median(found[name]))
        yield at_most(
            words, value, len(found[name]), most if size == "shop" else None, f"{1e3 * value:.1f} ms"
        )


def same(pool: Pool, size: str) -> Iterator[Figure]:
    """One car taken out against all built anew."""
    value = float(pool["speed"]["apart"].max())
    yield at_most("largest difference of a gain", value, len(pool["speed"]["apart"]), 1e-9, f"{value:.0e}")


def fits(pool: Pool, size: str) -> Iterator[Figure]:
    """Time of a fit and a build."""
    took = pool["fit"]["took"]
    yield at_most("fit and build", float(np.median(took)), len(took), None, f"{np.median(took):.1f} s")


ROWS = (
    Row("typical gain, 90 % coverage", "shop .86-.94; others .85-.98", "gains", typical_coverage),
    Row("next car, 90 % coverage (true gain)", ".88-.95", "gains", next_car_coverage),
    Row("held-out measured gains, faults and all", ".87-.94", "held", held_out),
    Row("RMSE / best after minus best before", "<= .60 .65 .60 .75 .55", "gains", rmse_against_naive),
    Row("MAE / best after minus best before", "<= .55 each", "gains", mae_against_naive),
    Row("no car here: RMSE / spread of gains", "<= .45", "gains", borrowed),
    Row("bias of typical gains", "within .30 %", "gains", biases),
    Row("bay levels, RMSE", "shop <= .20 %, small <= .55 %", "bays", bay_errors),
    Row("bay levels, 90 % coverage", ".85-.95", "bays", bay_coverage),
    Row("odd cars, tested stock", "precision >= .75, recall >= .35", "odd", odd_cars),
    Row("faulty setups", "", "setups", faulty_setups),
    Row("heat soak, 3 pulls and more", ">= .95 / >= .90", "soak", heat_soak),
    Row("percentile, 30 and more stock cars", "<= .12; .85-.95", "places", percentiles),
    Row("right side of the average", ">= .87", "places", right_side),
    Row("joint changes divided", "<= 1.5 %; .87-.95", "joint", joint_changes),
    Row("gain for money of the choice / best", ">= .90", "choice", worth),
    Row("curves, 90 % bands", ".86-.94 each", "curves", curves),
    Row("chance of at least so much", "every tenth within .08", "gains", deciles),
    Row("chance of a loss", "", "gains", losses),
    Row("recalibration nobody recorded", ">= .90; false alarms <= .05 of bays", "steps", recalibrations),
    Row("time of one core", "answer 5 ms, update 20 ms", "speed", speed),
    Row("time of a fit", "", "fit", fits),
    Row("live equals built anew", "1e-9", "speed", same),
)
