"""Every check tried on simulated good sessions, and on the same sessions with one fault planted."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from service.domain.checks import RULES
from tests.references import company_faults, engine_faults, entry_faults, machine_faults, paper_faults  # noqa: F401  (each adds its faults)
from tests.references.good import Post, good_posts
from tests.references.planting import FAULTS, Fault, accepted
from tests.references.shops import Shop

SETUPS, PLANTED = 1000, 200
"""Good setups in each kind of shop; posts that each fault is planted in. Some five minutes of one core in all."""
GOOD_SEED, FAULT_SEED = 1, 2


@dataclass(frozen=True)
class Judged:
    """A good post and the codes that were said of it."""

    post: Post
    codes: frozenset[str]


@dataclass
class Alarms:
    """What the checks say of good sessions: setups by check, sessions with any doubt, and an example of each."""

    setups: int = 0
    sessions: int = 0
    doubted: int = 0
    by_check: Counter[str] = field(default_factory=Counter)
    example: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Caught:
    """Of so many posts with one fault: seen by its own check, seen by any check that was silent before."""

    tried: int
    own: int
    any: int


def try_good(of: Sequence[Shop], setups: int = SETUPS) -> tuple[list[Judged], Alarms]:
    """Good sessions of some shops, judged; a remark about a whole session counts for each of its setups."""
    judged, alarms = [], Alarms()
    for post in good_posts(of, setups, GOOD_SEED):
        findings, count = post.findings(), len(post.session.setups)
        said = {(f.code, n) for f in findings for n in ([f.setup_n] if f.setup_n else range(1, count + 1))}
        alarms.by_check.update(code for code, _ in said)
        alarms.setups += count
        alarms.sessions += 1
        alarms.doubted += any(f.level != "note" for f in findings)
        for finding in findings:
            alarms.example.setdefault(finding.code, finding.message)
        judged.append(Judged(post, frozenset(f.code for f in findings)))
    return judged, alarms


def try_fault(fault: Fault, good: Sequence[Judged], planted: int = PLANTED) -> Caught:
    """Plant one fault in good posts, the same ones in every run, until there are enough of those it can be in."""
    rng = np.random.default_rng([FAULT_SEED, *fault.code.encode()])
    pool = [one for one in good if fault.several or is_plain(one.post)]
    tried = own = seen = 0
    for at in rng.choice(len(pool), 60 * planted):
        post = fault.plant(pool[at].post, rng)
        if post is None:
            continue
        codes = {finding.code for finding in post.findings()}
        tried += 1
        own += fault.code in codes
        seen += fault.code in codes or not codes <= pool[at].codes
        if tried == planted:
            break
    return Caught(tried, own, seen)


def is_plain(post: Post) -> bool:
    """Whether it is the usual post: one setup of three pulls that count."""
    return [len(accepted(setup)) for setup in post.session.setups] == [3]


def try_faults(good: Sequence[Judged], planted: int = PLANTED) -> dict[str, Caught]:
    """Every fault that has a check, by its code."""
    return {code: try_fault(fault, good, planted) for code, fault in FAULTS.items() if code in RULES}
