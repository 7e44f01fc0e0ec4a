"""What a run came to, in lines, and what must not be."""

import statistics
from collections.abc import Iterator, Sequence

from tests.soak.soak import Sample, Soaked

SETTLED = 0.2
"""Share of a run after which the service has loaded all that it uses (our choice)."""
FLAT = 0.10
"""Memory may lie by this share above what it was once settled, and what evidence takes (our choice)."""
EVIDENCE_KB = 5.0
"""What a setup takes in the model that is held in memory, as measured from 2,000 to 91,000 setups (DEVELOPERS.md)."""


def memory_growth(memory: Sequence[Sample], seconds: float) -> tuple[float, float, float]:
    """(memory once settled, at the end, as much as it may be at the end) [MB]: medians over a fifth of the run each."""
    settled = [one for one in memory if SETTLED * seconds <= one.at_s < 2 * SETTLED * seconds]
    last = [one for one in memory if one.at_s >= (1 - SETTLED) * seconds]
    if not settled or not last:
        return (0.0, 0.0, 0.0)
    before, after = (statistics.median(one.mb for one in some) for some in (settled, last))
    added = last[-1].sessions - settled[0].sessions
    return before, after, before * (1.0 + FLAT) + added * EVIDENCE_KB / 1000.0


def faults_of(soaked: Soaked) -> list[str]:
    """Why a run must not pass; empty where it may."""
    counts = {
        "errors": len(soaked.seen.errors),
        "acknowledged posts lost": soaked.kept.lost,
        "sessions doubled": soaked.kept.doubled,
        "setups or pairs damaged": len(soaked.kept.damage),
        "posts never acknowledged": len(soaked.seen.sent.keys() - soaked.seen.acknowledged),
    }
    faults = [f"{count} {what}" for what, count in counts.items() if count]
    before, after, most = memory_growth(soaked.seen.memory, soaked.plan.seconds)
    if after > most:
        faults.append(f"memory grew from {before:.0f} to {after:.0f} MB; {most:.0f} MB would be flat")
    return faults


def lines_of(soaked: Soaked) -> Iterator[str]:
    """The report."""
    plan, seen, kept = soaked.plan, soaked.seen, soaked.kept
    yield (
        f"{plan.seconds / 60:.1f} minutes, {plan.bays} bays (a post each {plan.post_every_s:g} s), "
        f"{plan.readers} readers (a question each {plan.ask_every_s:g} s)"
    )
    yield f"{'kind':<16}{'requests':>10}{'p50 ms':>10}{'p99 ms':>10}{'worst ms':>10}"
    for kind, took in sorted(seen.took_ms.items()):
        yield (
            f"{kind:<16}{len(took):>10}{quantile(took, 0.5):>10.1f}{quantile(took, 0.99):>10.1f}{max(took):>10.1f}"
        )
    before, after, _ = memory_growth(seen.memory, plan.seconds)
    most = max((one.mb for one in seen.memory), default=0.0)
    yield f"memory (PSS): {before:.0f} MB once settled, {after:.0f} MB at the end, {most:.0f} MB at most"
    yield (
        f"posts: {len(seen.sent)} sent, {len(seen.acknowledged)} acknowledged, {kept.lost} lost, "
        f"{kept.doubled} doubled, {len(kept.damage)} damaged; the ledger holds {kept.sessions} sessions, "
        f"{kept.pairs} pairs"
    )
    yield f"errors: {len(seen.errors)}"
    yield from (f"  {error}" for error in seen.errors[:10])


def quantile(took: Sequence[float], share: float) -> float:
    """The value that so large a share does not exceed."""
    ordered = sorted(took)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]
