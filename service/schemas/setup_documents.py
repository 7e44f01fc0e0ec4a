"""One setup and one pull as they are answered on their own."""

from marshmallow import fields

from service.schemas import answer_meanings
from service.schemas.base import Document
from service.schemas.meanings import described


@described(answer_meanings.KEPT_SETUP)
class KeptSetup(Document):
    """A setup with its summary and its pulls."""

    session = fields.Dict()
    n = fields.Integer()
    label = fields.String(allow_none=True)
    parts = fields.List(fields.Raw())
    parts_known = fields.String()
    stock_checked = fields.String()
    fuel = fields.Dict()
    spark_advance = fields.Float(allow_none=True)
    lambda_probe = fields.String(allow_none=True)
    struck = fields.String(allow_none=True)
    doubts = fields.List(fields.String())
    summary = fields.Dict()
    pulls = fields.List(fields.Dict())


@described(answer_meanings.KEPT_PULL)
class KeptPull(Document):
    """A pull with its raw curve, as it was posted, and what is derived from it."""

    id = fields.Integer()
    session = fields.String()
    vehicle = fields.String()
    setup = fields.Integer()
    n = fields.Integer()
    units = fields.String()
    started_at = fields.String(allow_none=True)
    ambient = fields.Dict()
    engine = fields.Dict()
    test = fields.String(allow_none=True)
    ramp = fields.Float(allow_none=True)
    smoothing = fields.Dict(allow_none=True)
    source = fields.String(allow_none=True)
    basis = fields.Raw()
    bay_correction = fields.Integer(allow_none=True)
    status = fields.String()
    reason = fields.String(allow_none=True)
    best_of = fields.Integer(allow_none=True)
    factor = fields.Float(allow_none=True)
    standard = fields.String(allow_none=True)
    observed = fields.Dict(allow_none=True)
    as_posted = fields.Dict(allow_none=True)
    rpm_from = fields.Float(allow_none=True)
    rpm_to = fields.Float(allow_none=True)
    struck = fields.String(allow_none=True)
    curve = fields.Dict(allow_none=True)
