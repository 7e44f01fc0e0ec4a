"""Whether what a post had corrected can be divided out again."""

from collections.abc import Iterator

from service.domain.checks.case import Case, Remark, once_a_setup
from service.domain.checks.rules import OUR_CHOICE, Limits, rule
from service.domain.correction import STANDARDS
from service.domain.derive import rests_on_engine


@rule(
    "engine-not-recorded",
    "note",
    "typing",
    "a platform whose engine is not recorded",
    origin=OUR_CHOICE,
)
def engine_not_recorded(case: Case, _: Limits) -> Iterator[Remark]:
    """Figures corrected in a standard that rests on an engine that is not recorded.

    Silent where the air is not recorded either: the engine alone would not divide it out then.
    """
    yield from once_a_setup(kept_as_posted(case))


def kept_as_posted(case: Case) -> Iterator[Remark]:
    """The same by pull."""
    engine = None if case.platform is None else case.platform.engine
    for one in case.pulls():
        if not rests_on_engine(one.pull) or one.figures.factor is not None or one.figures.vapour_kpa is None:
            continue
        standard = STANDARDS[str(one.pull.basis_standard)]
        yield one.remark(
            f"kept as posted: {standard.slug} needs {' and '.join(standard.missing(engine))} of this platform's engine; "
            "record it (PATCH /v1/platforms/{slug}) and it is divided out then",
            "/basis",
        )
