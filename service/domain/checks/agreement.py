"""Whether the pulls and setups of one strap-down agree with each other, as far as the bay's own spread explains."""

import math
from collections.abc import Iterator, Sequence

from service.domain.checks.case import Case, Remark
from service.domain.checks.rules import OUR_CHOICE, Limit, Limits, rule
from service.domain.derive import footing

SPREAD_LIMIT = {2: 4.1, 3: 4.7, 4: 5.1}
"""Range of the pulls of a setup, in the bay's pull spread, that fewer than 1 good set in 100 exceeds: the 99 % points of
the studentised range at 20 degrees of freedom (4.02, 4.64, 5.02, from memory), because a bay's spread is itself only
estimated, from some ten setups on."""
SPREAD_LIMIT_MORE = 6.0
REPEAT_SPREAD = 0.0064
"""Relative spread of the difference of two states measured in one strap-down beyond their pulls: 0.45 % each."""


@rule("mixed-basis", "note", "typing", "one pull copied from another place", origin=OUR_CHOICE)
def mixed_basis(case: Case, _: Limits) -> Iterator[Remark]:
    """Pulls of one setup that cannot be brought to one level, of which the fewer are left out."""
    for setup in case.session.setups:
        pulls, common = case.pulls(setup), case.footing(setup)
        other = sum(footing(one.figures) != common for one in pulls)
        if other:
            words = (
                f"{other} of {len(pulls)} pulls cannot be brought to the others' level (another basis, or no air): "
                "left out of this setup's figure"
            )
            yield case.remark(setup, words)


@rule(
    "pulls-disagree",
    "doubtful",
    "heat",
    "a settling pull among the others, a tyre that slipped, or heat",
    times=Limit(1.0, 0.5, 5.0, "-", "how many times the range that 99 of 100 good sets keep within"),
)
def pulls_disagree(case: Case, limits: Limits) -> Iterator[Remark]:
    """Pulls of one setup further apart than this bay's own spread explains."""
    for setup in case.session.setups:
        apart, limit = peaks_apart(case.peaks(setup), case.around.pull_spread)
        if apart > limit * limits["times"]:
            words = (
                f"the {len(case.peaks(setup))} pulls lie {apart:.1%} apart; this bay's own spread "
                f"of {case.around.pull_spread:.2%} explains {limit * limits['times']:.1%}: mark a settling or bad "
                "pull, or confirm"
            )
            yield case.remark(setup, words)


def peaks_apart(known: Sequence[float], pull_spread: float) -> tuple[float, float]:
    """Range of ln(peak power) over a setup's pulls, and the range that the bay's own spread explains."""
    if len(known) < 2:
        return 0.0, 0.0
    limit = SPREAD_LIMIT.get(len(known), SPREAD_LIMIT_MORE) * pull_spread
    return math.log(max(known) / min(known)), limit


@rule(
    "same-parts-differ",
    "doubtful",
    "typing",
    "a part missing from one list, or an engine that ran hot",
    origin=OUR_CHOICE,
    spreads=Limit(4.0, 2.0, 20.0, "-", "how many spreads apart two equal states may read"),
)
def forgotten_parts(case: Case, limits: Limits) -> Iterator[Remark]:
    """Setups of one strap-down that list the same parts but do not read the same."""
    limit = limits["spreads"] * math.hypot(REPEAT_SPREAD, case.around.pull_spread)
    seen: dict[frozenset[str], tuple[int, float]] = {}
    for setup in case.session.setups:
        power = case.power(setup)
        if power is None:
            continue
        state = frozenset(posted.slug for posted in setup.parts)
        first_n, first = seen.setdefault(state, (setup.n, power))
        apart = abs(math.log(power / first))
        if apart > limit:
            words = (
                f"lists the same parts as setup {first_n} but reads {apart:.1%} apart; {limit:.1%} is explained by the "
                "bay: is a part missing from one list, or did the engine run hot?"
            )
            yield case.remark(setup, words, "/parts")
