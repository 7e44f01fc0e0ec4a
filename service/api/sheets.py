"""Customers' sheets over HTTP: of a session, and by the number printed on paper."""

import re
from typing import Any
from uuid import UUID

from flask import Response

from service.answers.sheet import Chosen, Sheet, make_sheet
from service.api.answering import csv_response, json_response, wants_csv
from service.api.context import caller, chosen_standard, chosen_units, conn, ledger, needs, shop
from service.api.modelled import as_of, current_model
from service.api.sessions import seen, setup_of
from service.api.wire import Blueprint
from service.domain.errors import Conflict, Fault, NotFound, Refused
from service.domain.sheet_number import ends_of, read_number
from service.schemas.sheet_documents import curve_rows, sheet_document
from service.schemas.sheets import PrintedQuery, SheetAnswer, SheetQuery
from service.store.reading import WholeSession
from service.store.sheets import sessions_between

blueprint = Blueprint(
    "sheets", __name__, description="The customer's sheet: one test, honest by construction."
)
SETUP_PATH = re.compile(
    r"(?:/v1/sessions/)?([0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12})/setups/([1-9][0-9]{0,3})"
)


@blueprint.get("/v1/sessions/<uuid:id>/sheet")
@needs("read", "post")
@blueprint.arguments(SheetQuery, location="query")
@blueprint.csv("One row a speed.")
@blueprint.response(200, SheetAnswer)
def get_sheet(query: dict[str, Any], id: UUID) -> Response:
    """Make a customer's sheet of one state of a session, or of two held against each other.

    Nothing is registered: the same question gives the same sheet until something it rests on is changed; then its version
    is one more. As CSV (Accept: text/csv) its curves, one row a speed.
    """
    whole = seen(id)
    before, after = asked_states(whole, query["before"], query["after"])
    return answer(before, after, query)


@blueprint.get("/v1/sheets/<number>")
@needs("read", "post")
@blueprint.arguments(PrintedQuery, location="query")
@blueprint.response(200, SheetAnswer)
def get_printed_sheet(query: dict[str, Any], number: str) -> Response:
    """Find a printed sheet by its number, and say whether its version is the newest.

    The sheet is answered as it stands now; `superseded` says what of an older version was changed and when; by whom and why
    only to those who may change the ledger (scope post or admin).
    """
    typed = read_number(number)
    whole = seen(session_of(typed.session, number))
    other = whole if typed.before_session is None else seen(session_of(typed.before_session, number))
    before = None if typed.before is None else chosen(other, typed.before)
    return answer(before, chosen(whole, typed.after), query, query["version"])


def answer(
    before: Chosen | None, after: Chosen, query: dict[str, Any], version: int | None = None
) -> Response:
    """The sheet, as a document or as a table of its curves."""
    units, standard = chosen_units(query), chosen_standard(query)
    state = current_model()
    sheet = make_sheet(conn(), before, after, standard, shop(), ledger().answers.evidence, state)
    refuse_unmade(sheet, version)
    document = sheet_document(sheet, units, as_of(state), version, in_house=caller().may_change)
    if wants_csv():
        names, rows = curve_rows(document)
        return csv_response(
            [*names, "units", "standard", "number", "version"],
            ([*row, units, standard, str(sheet.number), sheet.version] for row in rows),
        )
    response = json_response(document)
    response.vary.update(("Accept", "Authorization"))
    return response


def refuse_unmade(sheet: Sheet, version: int | None) -> None:
    """A version that was never made is a slip of the reader's."""
    if version is not None and version > sheet.version:
        words = (
            f"sheet {sheet.number} has no version {version}: the newest is {sheet.version}; look at the version printed on "
            "it again, or leave it out"
        )
        raise Refused(words, [Fault("", words, parameter="version")])


def session_of(digits: str, number: str) -> UUID:
    """The one session whose id begins with these digits."""
    found = sessions_between(conn(), *ends_of(digits), most=10)
    if not found:
        raise NotFound("sheet", number)
    if len(found) > 1:
        raise Conflict(
            f"sheet number {number} could be of {len(found)} sessions: {' or '.join(map(str, found))}; ask for "
            "/v1/sessions/{id}/sheet with the one meant"
        )
    return found[0]


def asked_states(whole: WholeSession, before: str | None, after: int | None) -> tuple[Chosen | None, Chosen]:
    """(A, B) as asked; without any, the session's only comparison, else its last state that counts."""
    if before is None and after is None:
        return usual_states(whole)
    if before is None:
        return None, chosen(whole, after or 0)
    first = state_named(whole, before)
    if after is None:
        return None, first
    then = chosen(whole, after)
    if first.setup.setup_id == then.setup.setup_id:
        raise no_sheet(
            "before", f"setup {after} against itself is no comparison; name another, or leave `before` out"
        )
    return first, then


def usual_states(whole: WholeSession) -> tuple[Chosen | None, Chosen]:
    """The session's only comparison, else its last state that counts, else its last."""
    inside: dict[frozenset[int], tuple[int, int]] = {}
    for pair in whole.pairs:
        if pair.with_session == pair.without_session:
            ends = frozenset((pair.without_n, pair.with_n))
            # One part against another is kept both ways round: the one that came later is `after`.
            forward = pair.against is None or pair.without_n < pair.with_n
            if forward:
                inside[ends] = (pair.without_n, pair.with_n)
    if len(inside) == 1:
        (ends_of_pair,) = inside.values()
        return chosen(whole, ends_of_pair[0]), chosen(whole, ends_of_pair[1])
    counting = [setup for setup in whole.setups if setup.struck is None and setup.pulls] or whole.setups
    return None, Chosen(whole, counting[-1])


def state_named(whole: WholeSession, named: str) -> Chosen:
    """State A: a setup's number, or the path of one of another session of the same car."""
    if re.fullmatch(r"[1-9][0-9]{0,3}", named):
        return chosen(whole, int(named))
    path = SETUP_PATH.fullmatch(named)
    if path is None:
        raise no_sheet(
            "before",
            f"'{named}' names no setup; give its number in this session, or /v1/sessions/{{id}}/setups/{{n}}",
        )
    other = seen(UUID(path[1]))
    if other.session.vehicle != whole.session.vehicle:
        raise no_sheet(
            "before",
            f"that setup is of {other.session.vehicle}, this session of {whole.session.vehicle}; a sheet is of one car",
        )
    return chosen(other, int(path[2]))


def no_sheet(parameter: str, words: str) -> Refused:
    """The refusal of a parameter that makes no sheet."""
    return Refused(words, [Fault("", words, parameter=parameter)])


def chosen(whole: WholeSession, n: int) -> Chosen:
    """A setup of a session by its number."""
    return Chosen(whole, setup_of(whole, n))
