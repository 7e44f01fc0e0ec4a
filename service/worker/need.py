"""When the history model wants estimating again."""

from datetime import timedelta

from service.store.fits import FitFacts, Standing

CHANGED_SHARE = 0.02
"""Share of cars that changed since a fit from which its variances may have moved (our choice)."""
LONGEST = timedelta(days=1)
"""Age at which a fit that does not know all is made anew, however little it misses (our choice); no rest is longer: a fit
that seems to have taken days was made while the clock was put forward."""
REST = timedelta(minutes=1)
"""Shortest time from one fit to the next that nobody asked for: while a history is being loaded everything changes (our
choice)."""
REST_TIMES = 10
"""The same as a multiple of what the last fit took: estimating takes at most a tenth of one core (our choice)."""
SOON_SHARE = 0.5
"""Where this share of its cars changed, a fit is hardly of this history any more, and it rests no longer than it took: a
history that is being loaded grows by half but a few times (our choice)."""


def why_refit(now: Standing) -> str | None:
    """Why to estimate now, in words; None where there is no need."""
    if now.wishes:
        return "somebody asked for it"
    if not now.measured:
        return None
    if now.newest is None:
        return "there is no fit yet"
    if timedelta() <= now.at - now.newest.made_at < rest_after(now.newest, now.changed):
        return None  # a fit of the future was made before the clock was put back: its age says nothing
    if now.changed > CHANGED_SHARE * now.newest.cars:
        return f"{now.changed} cars changed since a fit of {now.newest.cars}"
    if now.changed and now.at - now.newest.as_of > LONGEST:
        return f"the fit is of {now.newest.as_of:%Y-%m-%d %H:%M} and {now.changed} cars changed since"
    return None


def rest_after(fit: FitFacts, changed: int) -> timedelta:
    """How long to rest after a fit, given how many cars changed since."""
    took = fit.made_at - fit.as_of
    rest = took if changed > SOON_SHARE * fit.cars else max(REST, REST_TIMES * took)
    return min(rest, LONGEST)
