"""A review as a document: SI records to the asked units, with what is said of them in words."""

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from marshmallow import Schema, fields

from service.domain.checks.rules import AREAS
from service.domain.pairing import MATCHES
from service.domain.review import (
    CONDITIONS,
    Comparison,
    Drift,
    Place,
    Remarked,
    Review,
    SetupReview,
)
from service.domain.review_words import comparison_words, place_sentence, sentences
from service.domain.units import SYSTEMS, from_si
from service.schemas.answer_documents import difference_document, figure, rounded
from service.schemas.answer_meanings import MESSAGE
from service.schemas.gain_members import DifferenceDocument


def review_document(review: Review, units: str) -> dict[str, Any]:
    """A review in the asked units."""
    return {
        "session": str(review.session),
        "vehicle": review.vehicle,
        "platform": review.platform,
        "bay": review.bay,
        "started_at": review.started_at.isoformat(),
        "struck": review.struck,
        "units": units,
        "standard": review.standard,
        "sentences": sentences(review, units),
        "setups": [setup_document(setup, review, units) for setup in review.setups],
        "comparisons": [comparison_document(one, units) for one in review.comparisons],
        "findings": [finding_document(one) for one in review.findings],
        "look_first": review.look_first(),
    }


def setup_document(setup: SetupReview, review: Review, units: str) -> dict[str, Any]:
    """One state of the car."""
    known = setup.mean_kw is not None and setup.smallest is not None
    change = (setup.mean_kw or 0.0) * (setup.smallest or 0.0) if known else None
    return {
        "n": setup.n,
        "label": setup.label,
        "parts": list(setup.parts),
        "standard": setup.standard,
        "standing": setup.standing,
        "pulls": setup.pulls,
        "mean": figure(setup.mean_kw, "power", units),
        "spread_percent": percent(setup.spread),
        "bays_spread_percent": percent(review.pull_spread),
        "range_percent": percent(setup.range),
        "range_explained_percent": percent(setup.explained),
        "smallest_change": figure(change, "power", units),
        "smallest_change_percent": percent(setup.smallest),
        "drift": [drift_document(drift, units) for drift in setup.drifts],
        "repeat": [{"pull": one.pull, "why": one.why} for one in setup.repeats],
        "place": None if setup.place is None else place_document(setup.place, units),
    }


def drift_document(drift: Drift, units: str) -> dict[str, Any]:
    """What a condition did between the pulls."""
    quantity = drift.condition.quantity

    def shown(value: float) -> float | None:
        return rounded(value) if quantity is None else figure(value, quantity, units)

    def difference(value: float) -> float | None:
        if quantity is None:
            return rounded(value)
        return rounded(float(from_si(value, quantity, units)) - float(from_si(0.0, quantity, units)))

    return {
        "what": drift.condition.name,
        "first": shown(drift.first),
        "last": shown(drift.last),
        "range": difference(drift.range),
        "window": difference(drift.condition.window),
        "outside": drift.outside,
    }


def place_document(place: Place, units: str) -> dict[str, Any]:
    """Where a setup lies among the stock cars."""
    return {
        "stock": place.stock,
        "cars": place.cars,
        "median": figure(place.median_kw, "power", units),
        "deviation_percent": percent(place.deviation),
        "above": place.above,
        "percentile": rounded(place.percentile),
        "interval": None if place.interval is None else [rounded(end) for end in place.interval],
        "reading": place_sentence(place, units),
    }


def comparison_document(one: Comparison, units: str) -> dict[str, Any]:
    """What a pair shows."""
    return {
        "part": one.part,
        "against": one.against or "without",
        "before": address(one.before),
        "after": address(one.after),
        "gain": figure(one.gain_kw, "power", units),
        "gain_percent": percent(one.gain),
        "interval_percent": percents(one.interval),
        "established": None if one.gain is None else one.established,
        "returned_percent": percent(one.returned),
        "match": one.match,
        "held": one.held,
        "usable": one.usable,
        "differs": [difference_document(difference, units) for difference in one.differs],
        "reading": comparison_words(one, units),
    }


def finding_document(one: Remarked) -> dict[str, Any]:
    """What a check said."""
    return {
        "area": one.area,
        "code": one.code,
        "level": one.level,
        "message": one.message,
        "consistent_with": one.consistent_with,
        "pointer": one.pointer,
        "setup": one.setup_n,
        "pull": one.pull_n,
        "open": one.open,
    }


def address(setup: tuple[UUID, int]) -> str:
    """Where a setup stands."""
    session, n = setup
    return f"/v1/sessions/{session}/setups/{n}"


def percent(relative: float | None) -> float | None:
    """A relative figure in percent."""
    return None if relative is None else rounded(100.0 * relative)


def percents(ends: Sequence[float] | None) -> list[float | None] | None:
    """An interval in percent."""
    return None if ends is None else [percent(end) for end in ends]


def said(words: str, **more: Any) -> dict[str, Any]:
    """What the API document says of a field."""
    return {"description": words, **more}


class ReviewDrift(Schema):
    """What a condition did between the pulls of a setup."""

    what = fields.String(metadata=said("The condition.", enum=[one.name for one in CONDITIONS]))
    first = fields.Float(metadata=said("At the first counted pull that recorded it, in `units`."))
    last = fields.Float(metadata=said("At the last one."))
    range = fields.Float(metadata=said("How far its extremes lie apart, in `units`."))
    window = fields.Float(metadata=said("How far it may move and still count as held, in `units`."))
    outside = fields.Boolean(metadata=said("Whether it moved further than that."))


class ReviewRepeat(Schema):
    """A pull to repeat."""

    pull = fields.Integer(allow_none=True, metadata=said("Its number as posted; null = one more pull."))
    why = fields.String(metadata=said("Why, in words."))


class ReviewPlace(Schema):
    """Where a setup's peak power lies among the platform's other stock cars, one value a car."""

    stock = fields.Boolean(
        metadata=said("Whether this state is known to be stock; if not, it has no place among them.")
    )
    cars = fields.Integer(metadata=said("Other stock cars measured, verified or declared, without doubts."))
    median = fields.Float(allow_none=True, metadata=said("Their median, in `units`; null = no cars."))
    deviation_percent = fields.Float(
        allow_none=True, metadata=said("From that median [%]; null = fewer than three cars.")
    )
    above = fields.Integer(metadata=said("How many of them it reads above."))
    percentile = fields.Float(
        allow_none=True, metadata=said("0..100; null = under ten cars, or not known to be stock.")
    )
    interval = fields.List(
        fields.Float(),
        allow_none=True,
        metadata=said("How well so many cars know the percentile, at 90 %; null with it."),
    )
    reading = fields.String(metadata=said("The same in words."))


class ReviewSetup(Schema):
    """One state of the car: how well its pulls agree, what moved between them, what to repeat."""

    n = fields.Integer(metadata=said("Its number in the session."))
    label = fields.String(allow_none=True, metadata=said("The bay's own name for it."))
    parts = fields.List(fields.String(), metadata=said("The slugs of what is fitted."))
    standard = fields.String(
        allow_none=True,
        metadata=said(
            "What `mean` is corrected to: the asked standard, or its own where that cannot be; null = as measured, or "
            "corrected by nobody knows what."
        ),
    )
    standing = fields.String(
        metadata=said("The same in words, with why where it is not the asked standard."),
    )
    pulls = fields.Integer(metadata=said("Pulls that count."))
    mean = fields.Float(allow_none=True, metadata=said("Mean peak power, in `units`; null = none."))
    spread_percent = fields.Float(
        allow_none=True, metadata=said("Standard deviation of its pulls [%]; null under two.")
    )
    bays_spread_percent = fields.Float(
        metadata=said("The same of the bay's own pulls before this session [%].")
    )
    range_percent = fields.Float(
        allow_none=True, metadata=said("How far its pulls lie apart [%]; null under two.")
    )
    range_explained_percent = fields.Float(
        allow_none=True,
        metadata=said(
            "What 99 of 100 good sets of so many pulls keep within in this bay [%]; null under two."
        ),
    )
    smallest_change = fields.Float(
        allow_none=True,
        metadata=said(
            "Smallest change that a second state of as many pulls in this session shows, in `units`."
        ),
    )
    smallest_change_percent = fields.Float(
        allow_none=True, metadata=said("The same [%]: 1.96 standard errors; null = no pull counts.")
    )
    drift = fields.List(fields.Nested(ReviewDrift), metadata=said("What was recorded for two pulls or more."))
    repeat = fields.List(
        fields.Nested(ReviewRepeat), metadata=said("Pulls to repeat, or to mark; none = none needs it.")
    )
    place = fields.Nested(
        ReviewPlace,
        allow_none=True,
        metadata=said(
            "How it sits against the platform's stock cars; null = no figure at the asked standard."
        ),
    )


class ReviewComparison(Schema):
    """What a before/after pair shows."""

    part = fields.String(metadata=said("The part, by slug."))
    against = fields.String(metadata=said("The part it replaced, or `without`."))
    before = fields.String(metadata=said("The setup without it."))
    after = fields.String(metadata=said("The setup with it."))
    gain = fields.Float(
        allow_none=True, metadata=said("Change of peak power, in `units`; null = its level is not known.")
    )
    gain_percent = fields.Float(
        allow_none=True, metadata=said("The same [%]; null = the two cannot be compared.")
    )
    interval_percent = fields.List(
        fields.Float(), allow_none=True, metadata=said("Its interval by its own noise, at 95 % [%].")
    )
    established = fields.Boolean(
        allow_none=True, metadata=said("Whether that interval leaves nought out; null = no figure.")
    )
    returned_percent = fields.Float(
        allow_none=True,
        metadata=said(
            "Of A-B-A: the repeated state's second reading against its first [%]; null = none was."
        ),
    )
    match = fields.String(metadata=said("How near the two were, best first.", enum=list(MATCHES)))
    held = fields.Boolean(metadata=said("Whether the conditions stayed inside their windows."))
    usable = fields.Boolean(metadata=said("Whether answers count it: no doubt stands against it."))
    differs = fields.List(
        fields.Nested(DifferenceDocument),
        metadata=said(
            "The conditions that did not, or that were not recorded on both sides: before, after (null = not recorded), window."
        ),
    )
    reading = fields.String(metadata=said("The same in words."))


class ReviewFinding(Schema):
    """What a check said, and where to look."""

    area = fields.String(metadata=said("Where the cause is looked for.", enum=list(AREAS)))
    code = fields.String(metadata=said("The check's own short name."))
    level = fields.String(metadata=said("How grave.", enum=["doubtful", "note"]))
    message = fields.String(metadata=said(MESSAGE))
    consistent_with = fields.String(
        allow_none=True,
        metadata=said("What it is consistent with; never a diagnosis. null = not a check of now."),
    )
    pointer = fields.String(metadata=said("RFC 6901 pointer into the posted session."))
    setup = fields.Integer(allow_none=True, metadata=said("The setup it is about; null = all of them."))
    pull = fields.Integer(allow_none=True, metadata=said("The pull it is about; null = all of them."))
    open = fields.Boolean(
        metadata=said("Whether it stands: not cleared, and about something that still counts.")
    )


class ReviewAnswer(Schema):
    """What a bay is told right after a post, while the car is still strapped down."""

    session = fields.UUID(metadata=said("The session's UUID."))
    vehicle = fields.String(metadata=said("The car's tag."))
    platform = fields.String(metadata=said("The slug of the kind of car it is."))
    bay = fields.String(metadata=said("The bay's slug."))
    started_at = fields.String(metadata=said("When the session began."))
    struck = fields.Boolean(metadata=said("Whether the session is struck: then it counts nowhere."))
    units = fields.String(metadata=said("The unit system of every quantity here.", enum=list(SYSTEMS)))
    standard = fields.String(
        metadata=said("The standard asked for; each setup says whether its own figure stands in it.")
    )
    sentences = fields.List(
        fields.String(),
        metadata=said("The whole review in plain words, most urgent first, at most twelve."),
    )
    setups = fields.List(fields.Nested(ReviewSetup), metadata=said("Its setups, in order."))
    comparisons = fields.List(
        fields.Nested(ReviewComparison),
        metadata=said(
            "Every pair inside the session; of those with other sessions the best for each question not answered here."
        ),
    )
    findings = fields.List(
        fields.Nested(ReviewFinding),
        metadata=said("What the checks said, in the order in which a cause is looked for."),
    )
    look_first = fields.List(
        fields.String(metadata={"enum": list(AREAS)}),
        metadata=said("The areas with open doubts, in that order."),
    )
