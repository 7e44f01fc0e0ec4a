"""What a run came to, in lines, and what must not be."""

import statistics
from collections.abc import Iterator, Sequence

from tests.soak.soak import Sample, Soaked

SETTLED = 0.4
"""Share of the marks after which a service just started has loaded and kept all that it uses (our choice)."""
FLAT = 0.10
"""By this share the service that lived through a run may take more than one just started (our choice: looks differ by as much;
of 3,000 sessions both took 299 MB)."""


def settled_mb(memory: Sequence[Sample]) -> float:
    """What it takes once it is settled: the median [MB]; 0 where it was never looked at."""
    settled = memory[int(SETTLED * len(memory)) :]
    return statistics.median(one.mb for one in settled) if settled else 0.0


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
    lived, young = settled_mb(soaked.lived), settled_mb(soaked.young)
    if lived > (most := young * (1.0 + FLAT)):
        faults.append(
            f"{lived:.0f} MB where a service just started takes {young:.0f}: {most:.0f} would be flat"
        )
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
    if seen.memory:
        first, last = seen.memory[0], seen.memory[-1]
        most = max(one.mb for one in (*seen.memory, *soaked.lived))
        yield f"memory (PSS): {first.mb:.0f} MB at first, {last.mb:.0f} MB after the posts, {most:.0f} MB at most"
    yield (
        f"memory of that ledger under marks: {settled_mb(soaked.lived):.0f} MB of the service that lived through it, "
        f"{settled_mb(soaked.young):.0f} MB of one just started"
    )
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
