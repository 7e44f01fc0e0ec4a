"""What every document of ours shares: unknown fields are refused, `units` are read before the quantities."""

from collections.abc import Mapping
from functools import cache, cached_property
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, missing, pre_load, validates_schema
from marshmallow.error_store import ErrorStore

from service.domain.units import SYSTEMS
from service.schemas.fields import Word, set_system

NO_SUCH_FIELD = "no such field here; see /v1/docs for the ones there are"
MOST_FIELDS = 200
"""An object with more is refused unread; the largest document of ours has a fifth of that (our choice)."""


class Document(Schema):
    """A JSON document; a field it does not know is an error, not silence."""

    class Meta:
        unknown = RAISE

    error_messages = {  # noqa: RUF012  (marshmallow's own way)
        "unknown": NO_SUCH_FIELD,
        "type": "must be a JSON object",
    }

    @cached_property
    def _readable(self) -> dict[str, tuple[str, fields.Field[Any]]]:
        """All that is read, by its name in JSON: its name here, and the field."""
        return {one.data_key or name: (one.attribute or name, one) for name, one in self.load_fields.items()}

    def _deserialize(self, data: Any, *, error_store: ErrorStore, **options: Any) -> Any:
        """What marshmallow does for one whole object, without a closure and a look at every option for each field: a
        post has two hundred of them, most of which are not there."""
        if isinstance(data, dict) and len(data) > MOST_FIELDS:
            error_store.store_error(
                [f"has {len(data):,} fields; none of our documents has more than {MOST_FIELDS}"]
            )
            return {}
        whole = isinstance(data, dict) and options["unknown"] == RAISE
        if not whole or options["many"] or options["partial"]:
            return super()._deserialize(data, error_store=error_store, **options)
        loaded: dict[str, Any] = {}
        for name, (own_name, field) in self._readable.items():
            value = data.get(name, missing)
            if value is missing and not field.required:
                value = field.load_default() if callable(field.load_default) else field.load_default
            else:
                try:
                    value = field.deserialize(value, name, data)
                except ValidationError as error:
                    error_store.store_error(error.messages, name)
                    value = error.valid_data or missing
            if value is not missing:
                loaded[own_name] = value
        for name in data.keys() - self._readable.keys():
            error_store.store_error([self.error_messages["unknown"]], name)
        return loaded


class QuantityDocument(Document):
    """A document that carries quantities and names their units."""

    always_quantities = False
    """Whether the document cannot do without `units`."""

    units = Word(*SYSTEMS, load_default=None, metadata={"description": "The unit system of this document."})

    @pre_load
    def take_units(self, data: Any, **_: Any) -> Any:
        """Read `units` before any quantity is converted."""
        units = data.get("units") if isinstance(data, dict) else None
        # One fault about the units is enough: with wrong ones the rest is checked as SI, and refused all the same.
        wrong = self.always_quantities or units is not None
        set_system("si" if wrong and units not in SYSTEMS else units)
        return data

    @validates_schema
    def has_units(self, data: Mapping[str, Any], **_: Any) -> None:
        """A document that always carries quantities must name their units."""
        if self.always_quantities and data.get("units") is None:
            raise ValidationError({"units": ["missing: say si, us or ps"]})


def page_of(document: type[Schema], *, units: bool = False) -> type[Schema]:
    """A page of a list of such documents; one class per document, so that the API document names it once."""
    return _page_of(document, units)


@cache
def _page_of(document: type[Schema], units: bool) -> type[Schema]:
    name = document.__name__.removesuffix("Document")
    said = 'This page of the list; `Link: <...>; rel="next"` leads to the next where there is one.'
    members: dict[str, Any] = {
        "items": fields.List(fields.Nested(document), required=True, metadata={"description": said})
    }
    if units:
        members["units"] = Word(
            *SYSTEMS, required=True, metadata={"description": "The unit system of the items."}
        )
    return type(f"{name}Page", (Schema,), {"__doc__": f"A page of {name} items.", **members})


class FindingDocument(Schema):
    """Something the ledger noticed and kept all the same."""

    code = fields.String(required=True, metadata={"description": "The check, as /v1/checks lists it."})
    level = fields.String(
        required=True,
        metadata={
            "enum": ["doubtful", "note"],
            "description": "`doubtful` counts nowhere until somebody confirms it; `note` counts.",
        },
    )
    message = fields.String(
        required=True, metadata={"description": "What was noticed, in words; figures in SI."}
    )
    pointer = fields.String(required=True, metadata={"description": "RFC 6901 pointer into the body."})
