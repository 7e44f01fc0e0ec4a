"""GET /v1/platforms/{slug}/part-choice where little or nothing is known."""

from tests.api.gains import post
from tests.factories import setup

CHOICE = "/v1/platforms/stoat/part-choice"


def test_a_gain_that_is_not_established_has_no_gain_for_the_money(stoats):
    for n, gain in enumerate((-1.5, 0.2, 1.4), 1):
        post(stoats, setup(), setup(["wide-pipe"], 1 + gain / 100), vehicle=f"stoat-{n}", day=n)
    (one,) = stoats.get(CHOICE).json["parts"]
    assert one["typical_interval"][0] < 0 < one["typical_interval"][1]
    names = ("gain_per_money", "cost_per_unit", "chance_of_best", "cautious_rank")
    assert [one[name] for name in names] == [None] * 4
    assert one["frontier"] is False
    assert stoats.get(CHOICE).json["best_order"] == []


def test_nothing_measured_is_nothing_to_choose_from(stoats):
    body = stoats.get(CHOICE).json
    assert (body["parts"], body["best_order"]) == ([], [])
    assert body["cautions"]
