"""Mixture: a good setup passes each check, a bad one is caught on the other side of its limit."""

import numpy as np
import pytest

from tests.domain.engine_cases import (
    DIESEL,
    GOOD,
    INTAKE,
    RPM,
    TURBO,
    X,
    case,
    of,
    place,
    pull,
    ramp,
    said,
    setup,
    stock_cars,
    three,
)

PULLS = "/setups/0/pulls"
STOCK = {"reference": stock_cars()}
CODES = (
    "lambda-unlike-platform", "lambda-unlike-stock", "lambda-leans-out", "lean-at-full-load", "rich", "lambda-dead",
    "lambda-not-before-catalyst", "ethanol-unlike",
)  # fmt: skip


def leaner(by, **fields):
    return three(channels={"lambda": GOOD["lambda"] + by}, **fields)


@pytest.mark.parametrize("code", CODES)
def test_a_good_setup_raises_nothing(code):
    assert of(code, three(), platform=TURBO, **STOCK) == []
    assert of(code, three(), INTAKE, platform=TURBO, **STOCK) == []
    assert of(code, three(channels={"lambda": None}), platform=TURBO, **STOCK) == []


@pytest.mark.parametrize("reading", [12.7, 12.8])
def test_a_gauge_on_the_gasoline_scale_at_12_7_to_12_8_is_a_mixture_as_usual(reading):
    # Common practice, no source: lambda 0.86 to 0.87 whatever the ethanol share; 12.7 / 14.7 is 0.864.
    pulls = three(channels={"lambda": GOOD["lambda"] - GOOD["lambda"].mean() + reading / 14.7})
    for code in CODES:
        assert of(code, pulls, platform=TURBO, **STOCK) == []


@pytest.mark.parametrize(("by", "caught"), [(0.044, False), (0.046, True), (-0.044, False), (-0.046, True)])
def test_a_stock_car_leaner_or_richer_than_its_platform_is_doubtful(by, caught):
    assert of("lambda-unlike-platform", leaner(by), **STOCK) == ([PULLS] if caught else [])
    assert of("lambda-unlike-stock", leaner(by), **STOCK) == []


def test_a_car_with_a_part_that_is_leaner_than_stock_is_only_noted():
    assert of("lambda-unlike-platform", leaner(0.06), INTAKE, **STOCK) == []
    (found,) = said("lambda-unlike-stock", case([setup(leaner(0.06), parts=INTAKE)], **STOCK))
    assert found.level == "note"
    assert "0.060 leaner than this platform's stock cars: consistent with fuel supply" in found.message


def test_fewer_than_eight_stock_cars_are_nothing_to_be_compared_with():
    assert of("lambda-unlike-platform", leaner(0.1), reference=stock_cars(7)) == []
    assert of("lambda-unlike-platform", leaner(0.1), reference=stock_cars(8)) == [PULLS]
    assert of("lambda-unlike-platform", leaner(0.1)) == []


@pytest.mark.parametrize(
    ("probe", "caught"), [("before-catalyst", True), ("after-catalyst", False), ("tailpipe", False)]
)
def test_lambda_from_behind_the_catalyst_is_noted_and_not_compared(probe, caught):
    looked_at = case([setup(leaner(0.1), lambda_probe=probe)], **STOCK)
    assert bool(said("lambda-unlike-platform", looked_at)) is caught
    noted = [found.pointer for found in said("lambda-not-before-catalyst", looked_at)]
    assert noted == ([] if caught else ["/setups/0/lambda_probe"])


def test_a_probe_behind_the_catalyst_wants_no_word_where_lambda_was_not_recorded():
    silent = setup(three(channels={"lambda": None}), lambda_probe="tailpipe")
    assert said("lambda-not-before-catalyst", case([silent])) == []


def test_a_mixture_that_grows_leaner_towards_the_limiter_is_doubtful_also_without_stock_cars():
    # The mean of a straight ramp over the top third is half its height; the good car grows 0.007 richer there.
    for height, expected in ((0.11, []), (0.12, [PULLS])):
        assert of("lambda-leans-out", leaner(height * ramp(2 / 3))) == expected
        assert of("lambda-leans-out", leaner(height * ramp(2 / 3)), INTAKE) == expected


def test_a_platform_that_leans_out_by_itself_makes_no_car_doubtful():
    usual = stock_cars(**{"lambda": GOOD["lambda"] + 0.16 * ramp(2 / 3)})
    assert of("lambda-leans-out", leaner(0.16 * ramp(2 / 3)), reference=usual) == []
    assert of("lambda-leans-out", leaner(0.32 * ramp(2 / 3)), reference=usual) == [PULLS]


def test_a_boosted_engine_that_is_lean_at_full_load_is_told_to_stop():
    lean = [pull(1), pull(2, channels={"lambda": GOOD["lambda"] + 0.12})]
    (found,) = said("lean-at-full-load", case([setup(lean, parts=INTAKE)], TURBO))
    assert (found.level, found.pointer) == ("doubtful", f"{PULLS}/1/curve/lambda")
    assert found.message.startswith("stop and check: lambda is 0.9")


@pytest.mark.parametrize(("level", "caught"), [(0.94, False), (0.96, True)])
def test_lambda_0_95_is_lean_under_boost(level, caught):
    pulls = [pull(channels={"lambda": level + 0.003 * np.sin(40 * X)})]
    assert bool(of("lean-at-full-load", pulls, platform=TURBO)) is caught


def test_lambda_of_one_before_the_boost_has_come_is_not_lean_at_full_load():
    spooling = pull(channels={"lambda": np.where(RPM < 3500.0, 1.0, GOOD["lambda"])})
    assert of("lean-at-full-load", [spooling], platform=TURBO) == []


def test_a_platform_that_runs_at_lambda_one_by_design_is_not_lean():
    at_one = 0.995 + 0.005 * np.sin(40 * X)
    usual = stock_cars(**{"lambda": at_one})
    assert (
        of("lean-at-full-load", [pull(channels={"lambda": at_one + 0.01})], platform=TURBO, reference=usual)
        == []
    )
    leaner_still = [pull(channels={"lambda": at_one + 0.05})]
    assert of("lean-at-full-load", leaner_still, platform=TURBO, reference=usual) == [
        f"{PULLS}/0/curve/lambda"
    ]


def test_a_diesel_and_a_naturally_aspirated_engine_may_be_lean():
    lean = leaner(0.3)
    assert of("lean-at-full-load", lean, platform=DIESEL) == []
    assert of("lean-at-full-load", lean) == []
    for code in ("lambda-unlike-platform", "lambda-leans-out", "rich"):
        assert of(code, leaner(0.3 * X), platform=DIESEL, **STOCK) == []


def test_a_mixture_richer_than_0_75_over_500_rpm_is_noted():
    for width, expected in ((200.0, []), (300.0, [PULLS])):
        pulls = three(channels={"lambda": GOOD["lambda"] - 0.15 * place(5000.0, width)})
        assert of("rich", pulls) == expected
    assert of("rich", leaner(0.76 - GOOD["lambda"].max())) == [PULLS]
    assert of("rich", leaner(0.76 - GOOD["lambda"].min())) == []


def test_a_lambda_that_stands_still_is_doubtful_and_says_nothing_more():
    still = three(channels={"lambda": np.full(len(RPM), 1.1)})
    assert of("lambda-dead", still) == [f"{PULLS}/{i}/curve/lambda" for i in range(3)]
    for code in CODES[:5]:
        assert of(code, still, platform=TURBO, **STOCK) == []


def test_a_probe_that_lives_spreads_by_more_than_0_002():
    # A sine's spread is its height over the square root of two.
    for height, expected in ((0.0025, [f"{PULLS}/0/curve/lambda"]), (0.0032, [])):
        assert of("lambda-dead", [pull(channels={"lambda": 0.87 + height * np.sin(40 * X)})]) == expected


def test_a_probe_in_free_air_is_doubtful():
    for share, expected in ((0.97, []), (0.9, [f"{PULLS}/0/curve/lambda"])):
        assert (
            of("lambda-dead", [pull(channels={"lambda": np.where(share < X, 8.0, GOOD["lambda"])})])
            == expected
        )


def fuelled(ethanol, more_spark=3.0, by=0.0):
    pulls = three(channels={"spark": GOOD["spark"] + more_spark, "lambda": GOOD["lambda"] + by})
    looked_at = case([setup(pulls, ethanol=ethanol)], reference=stock_cars(ethanol=0.05))
    return [found.pointer for found in said("ethanol-unlike", looked_at)]


def test_another_ethanol_share_with_the_mixture_right_and_more_spark_is_the_fuel():
    assert fuelled(0.16) == ["/setups/0/fuel/ethanol"]
    assert fuelled(0.14) == []
    assert fuelled(None) == []


def test_ethanol_without_more_spark_or_with_a_wrong_mixture_is_not_called_the_fuel():
    assert fuelled(0.6, more_spark=0.5) == []
    assert fuelled(0.6, by=0.04) == []
