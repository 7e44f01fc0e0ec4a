"""Query parameters of the questions that the history model answers."""

from collections.abc import Mapping
from datetime import UTC, datetime, time
from typing import Any

from marshmallow import ValidationError, fields, validate

from service.schemas import model_meanings
from service.schemas.base import Document
from service.schemas.fields import Flag, Slug, between
from service.schemas.meanings import described
from service.schemas.queries import DEFAULT_LIMIT, LARGEST_LIMIT, MeasureQuery, Query

MOST_PARTS = 12
"""Parts asked about at once: as many as a car has slots that matter (our choice)."""


class SlugList(fields.Field[tuple[str, ...]]):
    """Slugs with commas between them."""

    def __init__(self, *, shortest: int, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.metadata = {"type": "string", **self.metadata}
        self.shortest = shortest
        self.one = Slug()

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> tuple[str, ...]:
        named = [slug.strip() for slug in str(value).split(",") if slug.strip()]
        twice = sorted({slug for slug in named if named.count(slug) > 1})
        if twice:
            raise ValidationError(f"names {twice[0]} twice; name each part once")
        if not self.shortest <= len(named) <= MOST_PARTS:
            raise ValidationError(
                f"names {len(named)} parts; give {self.shortest} to {MOST_PARTS} slugs with commas between them"
            )
        return tuple(self.one.deserialize(slug) for slug in named)


class Since(fields.Field[datetime]):
    """A day, or a time with its offset."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.metadata = {"type": "string", **self.metadata}

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> datetime:
        try:
            found = datetime.fromisoformat(str(value))
        except ValueError:
            raise ValidationError(
                "is no day or time; write 2026-03-18, or 2026-03-18T16:20:00+00:00"
            ) from None
        if found.time() == time() and found.tzinfo is None and len(str(value)) == 10:
            return found.replace(tzinfo=UTC)
        if found.tzinfo is None:
            raise ValidationError("has no offset from UTC; end it with Z or +01:00")
        return found.astimezone(UTC)


@described(model_meanings.BUILD_QUERY, **model_meanings.BUILD_EXAMPLE)
class BuildQuery(MeasureQuery):
    """What several parts do together."""

    platform = Slug(required=True)
    parts = SlugList(shortest=1, required=True)
    baseline = fields.Float(load_default=None, validate=between(0.1, 10_000))


@described(model_meanings.CHOICE_QUERY)
class ChoiceQuery(MeasureQuery):
    """Which part gives most for the money."""

    slot = Slug(load_default=None)
    budget = fields.Float(load_default=None, validate=between(0, 10_000_000))
    wished = fields.Float(load_default=None, validate=between(0.1, 10_000))
    labour_rate = fields.Float(load_default=None, validate=between(0, 10_000))
    fitted = SlugList(shortest=0, load_default=None)
    baseline = fields.Float(load_default=None, validate=between(0.1, 10_000))


@described(model_meanings.OUTLIER_QUERY)
class OutlierQuery(MeasureQuery):
    """What is unlike the rest."""

    platform = Slug(load_default=None)
    bay = Slug(load_default=None)
    since = Since(load_default=None)
    limit = fields.Integer(
        load_default=DEFAULT_LIMIT,
        validate=validate.Range(1, LARGEST_LIMIT, error="must lie between {min} and {max}"),
    )
    after = fields.Integer(
        load_default=0,
        validate=validate.Range(
            0, 1_000_000, error="is no place in this list; take it from the `next` link of the page before"
        ),
    )


LARGEST_PAGE_OF_DAYS = 100
"""A day is worked out when it is asked for (our choice: a second's work on a page at most)."""


@described(model_meanings.DAYS_QUERY)
class DaysQuery(Query):
    """A bay's days."""

    day = fields.Date(load_default=None)
    limit = fields.Integer(
        load_default=DEFAULT_LIMIT,
        validate=validate.Range(1, LARGEST_PAGE_OF_DAYS, error="must lie between {min} and {max}"),
    )
    after = fields.Date(load_default=None)


@described(model_meanings.AGREEMENT_QUERY)
class AgreementQuery(Query):
    """How far the bays agree."""

    level = fields.Float(load_default=0.9, validate=between(0.5, 0.999))


@described(model_meanings.REFIT)
class RefitDocument(Document):
    """A wish for the variances to be estimated anew."""

    wait = Flag(load_default=False)
