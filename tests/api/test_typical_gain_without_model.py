"""GET /v1/typical-gain?model=false: the pairs alone, and nothing asked of the history model."""

import pytest

from service.answers.cautions import NO_MODEL, NOT_ASKED
from service.answers.model import Live
from tests.api.gains import GAIN, answer, by_hand, measured


def test_the_answer_is_the_pairs_own_and_says_that_the_model_was_not_asked(stoats):
    measured(stoats, 4, 5, 6)
    body, expected = answer(stoats, "&model=false"), by_hand(4, 5, 6)
    assert body["method"] == "pairs-only"
    assert body["question"]["model"] is False
    assert body["typical_percent"] == pytest.approx(expected["typical_percent"], rel=2e-4)
    assert body["pairs_only"] == answer(stoats)["pairs_only"]
    assert NOT_ASKED in body["cautions"]
    assert NO_MODEL not in body["cautions"]


def test_nothing_is_asked_of_the_model(stoats, monkeypatch):
    measured(stoats, 4, 5, 6)
    asked = []
    ask = Live.ask
    monkeypatch.setattr(Live, "ask", lambda *about: asked.append(about) or ask(*about))
    answer(stoats, "&model=false")
    assert not asked
    answer(stoats)
    assert len(asked) == 1


@pytest.mark.usefixtures("without_model")
def test_it_is_what_a_ledger_without_a_model_answers_but_for_the_caution(stoats):
    measured(stoats, 4, 5, 6)
    not_asked, not_there = answer(stoats, "&model=false"), answer(stoats)
    words = {NOT_ASKED: NO_MODEL}
    assert [words.get(said, said) for said in not_asked["cautions"]] == not_there["cautions"]
    same = {name for name in not_asked if name not in ("cautions", "question", "as_of")}
    assert {name: not_asked[name] for name in same} == {name: not_there[name] for name in same}


def test_its_curve_is_the_pairs_own_and_narrower_questions_work_too(stoats):
    measured(stoats, 4, 5, 6)
    curve = answer(stoats, "&model=false")["curve"]
    assert "band_low" not in curve
    assert curve["typical_percent"][40] == pytest.approx(5.0, abs=0.05)
    assert answer(stoats, "&model=false&curve=false&pairs=false")["curve"] is None


def test_a_part_that_no_car_here_had_gets_no_number(stoats):
    body = answer(stoats, "&model=false")
    assert body["typical"] is None
    assert body["evidence"]["grade"] == "none"
    assert any(said.startswith("Not measured") for said in body["cautions"])


def test_an_unchanged_answer_is_304_and_a_new_pair_makes_another(stoats):
    measured(stoats, 4, 5, 6)
    etag = stoats.get(f"{GAIN}&model=false").headers["ETag"]
    assert stoats.get(f"{GAIN}&model=false", If_None_Match=etag).status_code == 304
    measured(stoats, 7, 8, 9, 7)
    assert stoats.get(f"{GAIN}&model=false", If_None_Match=etag).status_code == 200


def test_a_word_that_is_no_yes_or_no_is_refused(stoats):
    assert stoats.get(f"{GAIN}&model=perhaps").status_code == 422
