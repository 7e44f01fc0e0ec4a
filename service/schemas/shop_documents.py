"""The model in use, as a document."""

from typing import TYPE_CHECKING, Any

from marshmallow import fields

from service.schemas import model_meanings as meanings
from service.schemas.answer_documents import rounded
from service.schemas.base import Document
from service.schemas.meanings import described

if TYPE_CHECKING:
    from service.answers.model_report import ModelReport


def model_document(report: "ModelReport") -> dict[str, Any]:
    """The model in use."""
    state = report.state
    if state is None:
        return {
            **dict.fromkeys(("as_of", "version", "fit", "followed", "down_weighted")),
            "state": "none",
            "spreads": [],
            "shares": [],
            "cautions": list(report.cautions),
        }
    fit = state.system.fit
    return {
        "as_of": state.as_of.isoformat(),
        "state": "ready",
        "version": state.key,
        "fit": {
            "id": state.facts.fit_id if state.facts else None,
            "made_at": state.made_at.isoformat(),
            "measure": "peak_power",
            "standard": state.standard,
            "cars": fit.cars,
            "setups": fit.setups,
        },
        "followed": {"changes": state.mark.count, **report.holds},
        "spreads": [
            {"name": one.name, "sd_percent": rounded(100.0 * one.sd), "of": one.of, "between": one.between}
            for one in report.spreads
        ],
        "shares": [
            {"name": name, "share": rounded(share), "words": words} for name, share, words in report.shares
        ],
        "down_weighted": {"setups": report.down_weighted, "heat_soaked": report.heat_soaked},
        "cautions": list(report.cautions),
    }


@described(
    {
        "id": "Its number; null = made by this process.",
        "made_at": "When it was made.",
        "measure": "The measure it was made on.",
        "standard": "The standard it was made on.",
        "cars": "From so many cars.",
        "setups": "From so many setups.",
    }
)
class ModelFit(Document):
    """The estimate of the variances in use."""

    id = fields.Integer(allow_none=True)
    made_at = fields.DateTime()
    measure = fields.String()
    standard = fields.String()
    cars = fields.Integer()
    setups = fields.Integer()


@described(
    {
        "name": "Its short name.",
        "sd_percent": "Standard deviation [% of what `of` says].",
        "of": "Of what.",
        "between": "Between what.",
    }
)
class ModelSpread(Document):
    """What readings or gains differ by."""

    name = fields.String()
    sd_percent = fields.Float(allow_none=True)
    of = fields.String()
    between = fields.String()


@described({"name": "The cause.", "share": "Its share, 0..1.", "words": "The same in words."})
class ModelShare(Document):
    """The share of one cause in the variance between pulls."""

    name = fields.String()
    share = fields.Float()
    words = fields.String()


@described(meanings.MODEL)
class ModelAnswer(Document):
    """The history model in use."""

    as_of = fields.DateTime(allow_none=True)
    state = fields.String()
    version = fields.String(allow_none=True)
    fit = fields.Nested(ModelFit, allow_none=True)
    followed = fields.Dict(keys=fields.String(), values=fields.Integer(), allow_none=True)
    spreads = fields.List(fields.Nested(ModelSpread))
    shares = fields.List(fields.Nested(ModelShare))
    down_weighted = fields.Dict(keys=fields.String(), values=fields.Integer(), allow_none=True)
    cautions = fields.List(fields.String())


@described(meanings.REFIT_ANSWER)
class RefitAnswer(Document):
    """What became of a wish for a new estimate."""

    status = fields.String()
    asked_at = fields.DateTime()
