"""What the views of modelled answers share: the model brought up to date, the answer under its version."""

import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import orjson
from flask import Response, request

from service.answers.behind import Worked
from service.answers.cache import bytes_of
from service.answers.model import ModelState
from service.api.answering import ORJSON, is_known
from service.api.context import ledger, now, read_conn, shop
from service.domain.errors import NotFound, Refused
from service.domain.measures import Measure
from service.domain.units import to_si
from service.store.db import together
from service.store.model_questions import PlatformAsked
from service.store.nearest import nearest, not_known

Model = Callable[[], ModelState | None]


@contextmanager
def followed_model(asked: bool = True) -> Iterator[Model]:
    """Ask how far the ledger has moved together with what is asked within; afterwards the result gives the model, None
    where it is not to be asked."""
    if not asked:
        yield lambda: None
        return
    connection = read_conn()
    with together(connection):
        followed = ledger().model.ask(connection, shop()["standard"])
        yield lambda: followed(now())


def current_model() -> ModelState | None:
    """The model as of now, where nothing else is asked with it."""
    return ledger().model.current(read_conn(), shop()["standard"], now())


def version_of(state: ModelState | None) -> str:
    """What an answer's ETag carries of the model."""
    return "none" if state is None else state.key


def as_of(state: ModelState | None) -> str:
    """Up to when the ledger's records are in an answer."""
    return (now() if state is None else state.as_of).isoformat()


def worked_version(state: ModelState | None, worked: Worked[object] | None) -> str:
    """What an answer's ETag carries of what was worked out; of none of it yet, that."""
    return "none" if state is None else "being-worked-out" if worked is None else worked.state.key


def search_state(worked: Worked[object] | None) -> str:
    """How what was worked out stands to the ledger, as the field `search` says it."""
    return "none" if worked is None else "behind" if worked.state.behind else "current"


def measure_of(query: dict[str, Any]) -> Measure:
    """The measure a query asks for; a speed or band beside a measure that has none is an error."""
    measure = Measure(query["measure"], query["rpm"], query["from_rpm"], query["to_rpm"])
    if measure.is_peak and (measure.rpm or measure.from_rpm or measure.to_rpm):
        words = (
            f"{measure.name} takes no rpm, from or to; ask for power_at, torque_at, band_power or band_torque"
        )
        raise Refused(words)
    return measure


def own_figure(value: float | None, measure: Measure, units: str) -> float | None:
    """A figure of the asker in SI."""
    return None if value is None else float(to_si(value, measure.quantity, units))


def question_document(platform: str | None, measure: Measure, standard: str, **more: Any) -> dict[str, Any]:
    """What was asked, as the answer repeats it."""
    band = {"rpm": measure.rpm, "from": measure.from_rpm, "to": measure.to_rpm}
    asked = {name: value for name, value in band.items() if value is not None}
    return {**more, "platform": platform, "measure": measure.name, **asked, "standard": standard}


def kept_answer(version: str, make: Callable[[], dict[str, Any]]) -> Response:
    """The answer under its ETag: 304, kept, or made now."""
    key = f"{request.full_path}|{shop().version}|{version}"
    etag = hashlib.sha256(key.encode()).hexdigest()[:20]
    if is_known(etag):
        response = Response(status=304)
    else:
        body = ledger().answers.sent.get_or_make(key, lambda: orjson.dumps(make(), option=ORJSON), bytes_of)
        response = Response(body, content_type="application/json")
    response.set_etag(etag)
    response.vary.add("Accept")
    response.cache_control.no_cache = True
    return response


def known_platform(found: PlatformAsked | None, slug: str) -> PlatformAsked:
    """The platform a question is about, or 404 naming the nearest."""
    if found is None:
        raise not_known(read_conn(), "platform", slug)
    return found


def require_known(kind: str, name: str | None) -> None:
    """404 naming the nearest where a name is given that the ledger does not know."""
    if name is not None:
        near = nearest(read_conn(), kind, name)
        if name not in near:
            raise NotFound(kind, name, near)
