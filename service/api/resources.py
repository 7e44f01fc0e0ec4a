"""Every blueprint there is; the app registers them all."""

from service.api import (
    answers,
    bays,
    health,
    history,
    modifications,
    parts,
    platforms,
    pulls,
    sessions,
    settings,
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
    history.blueprint,
    health.blueprint,
    sessions.blueprint,
    pulls.blueprint,
    answers.blueprint,
)
