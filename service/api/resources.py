"""Every blueprint there is; the app registers them all."""

from service.api import (
    answers,
    bays,
    checks,
    corrections,
    health,
    history,
    modifications,
    parts,
    platforms,
    pulls,
    review,
    sessions,
    settings,
    setup_curves,
    slots,
    vehicles,
)
from service.api.wire import Blueprint

BLUEPRINTS: tuple[Blueprint, ...] = (
    platforms.blueprint,
    vehicles.blueprint,
    parts.blueprint,
    slots.blueprint,
    modifications.blueprint,
    bays.blueprint,
    settings.blueprint,
    checks.blueprint,
    history.blueprint,
    health.blueprint,
    sessions.blueprint,
    setup_curves.blueprint,
    pulls.blueprint,
    review.blueprint,
    answers.blueprint,
    corrections.blueprint,
)
