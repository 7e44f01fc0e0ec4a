"""How the ledger itself closes what a check said, once a change made it untrue: nobody confirmed it."""

NO_LONGER_SO = "amended: no longer so"
"""How every such reason begins; what follows says after what, without naming a car or a person: it stays when a car is
erased."""
AMENDED = "amended: "


def no_longer_so(after: str) -> str:
    """The reason where the change was made elsewhere than in the session: after what."""
    return f"{NO_LONGER_SO} after {after}"


def is_closed_by_ledger(reason: str | None) -> bool:
    """Whether the ledger closed a finding, and no person confirmed it."""
    return reason is not None and reason.startswith(NO_LONGER_SO)


def told(reason: str | None) -> str | None:
    """The reason as it is shown: nobody amended the session where something else was changed."""
    if reason is None or reason == NO_LONGER_SO or not is_closed_by_ledger(reason):
        return reason
    return reason.removeprefix(AMENDED)
