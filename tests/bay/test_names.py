"""Whether the ledger knows a car and its parts: asked once it answers, and not again."""

from service.bay.names import Names
from service.bay.sender import Address
from tests.bay.answering import Answer, answering, kept, problem

SAID = {"car": "stoat-041", "parts": ["wide-pipe", {"part": "mesh-pip", "slot": "intake"}]}


class Seconds:
    def __init__(self):
        self.at = 100.0

    def __call__(self):
        return self.at


def shop(asked):
    """A ledger that knows one part, and keeps what it was asked."""

    def ask(path):
        asked.append(path.rpartition("/")[2])
        return Answer(200, {}) if path == "/v1/parts/wide-pipe" else problem(404, f"there is no {asked[-1]}")

    return ask


def test_each_unknown_name_is_said_once_and_a_known_one_not_asked_of_again():
    asked = []
    with answering(kept, shop(asked)) as ledger:
        names = Names(Address(ledger.url))
        assert names.unknown(SAID) == ["there is no stoat-041", "there is no mesh-pip"]
        assert names.unknown(SAID | {"parts": ["wide-pipe", "road-mop"]}) == ["there is no road-mop"]
    assert asked == ["stoat-041", "wide-pipe", "mesh-pip", "road-mop"]


def test_a_ledger_that_is_away_is_asked_again_but_not_for_every_file():
    seconds = Seconds()
    names = Names(Address("http://127.0.0.1:9"), now=seconds)
    assert names.unknown(SAID) == []
    asked = []
    with answering(kept, shop(asked)) as ledger:
        names.address = Address(ledger.url)
        seconds.at += 29.0
        assert (names.unknown(SAID), asked) == ([], [])
        seconds.at += 1.0
        assert names.unknown(SAID) == ["there is no stoat-041", "there is no mesh-pip"]


def test_an_answer_that_says_neither_yes_nor_no_is_asked_for_again():
    with answering(kept, lambda _: Answer(503, {})) as ledger:
        names = Names(Address(ledger.url))
        assert names.unknown({"car": "stoat-014"}) == []
    with answering(kept, shop([])) as ledger:
        names.address = Address(ledger.url)
        assert names.unknown({"car": "stoat-014"}) == ["there is no stoat-014"]
