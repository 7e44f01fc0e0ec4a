"""The part with the most gain for its money: the true worth of what is chosen against that of the best there is."""

import numpy as np

from service.stats.history.choice import best_chances
from service.stats.history.gains import prior_share
from tests.calibration.solved import Found, Solved, columns

FEWEST_CHOICES = 3


def choice_scores(solved: Solved) -> Found:
    """Every platform: true gain for the money of the model's choice and of the naive one, against the best."""
    world = solved.world
    rows = []
    for platform in world.platforms:
        parts = sorted(part for part, p in solved.fitted_on if p == platform and (part, p) in world.gains)
        if len(parts) < FEWEST_CHOICES:
            continue
        price = np.array([world.parts[part].price for part in parts])
        worth = np.array([world.gains[part, platform] for part in parts]) / price
        mean, covariance = solved.system.joint(platform, parts)
        rho = np.array([prior_share(solved.system.gain(part, platform)) for part in parts])
        chances = best_chances(mean, covariance, price, rho)
        naive = np.array([solved.naive.get((part, platform), -np.inf) for part in parts]) / price
        best = worth.max()
        by_naive = worth[naive.argmax()] / best if np.isfinite(naive).any() else np.nan
        cautious = worth[int(np.nanargmax(chances.cautious_worth))] / best
        told = float(chances.best_worth.max())
        truly = float(worth[int(np.argmax(chances.best_worth))] == best)
        rows.append((worth[(mean / price).argmax()] / best, cautious, by_naive, told, truly))
    return columns(rows, "chosen", "cautious", "naive", "told", "truly")
