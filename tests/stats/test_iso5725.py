"""Precision of planned studies against the worked examples of ISO 5725-2, ASTM E691 and AIAG's gauge study."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.stats import iso5725
from tests.checks import document, rows

EXPECTED = document("t06_expected.json")
GLUCOSE = rows("t06_e691_glucose.csv")
E691 = rows("t06_e691_glucose_expected_corrected_138p30.csv")
SULFUR = rows("t06_iso5725_2_sulfur.csv")


def glucose(material: str, misprint: float = 138.30) -> list[list[float]]:
    """Results of a material by laboratory, laboratory 4's 148.30 of material 3 as given."""
    labs: dict[str, list[float]] = {}
    for row in GLUCOSE:
        if row["material"] == material:
            value = float(row["y"])
            labs.setdefault(row["lab"], []).append(misprint if value == 148.30 else value)
    return list(labs.values())


def sulfur(level: str) -> list[list[float]]:
    """Results of a level by laboratory; unequally many."""
    labs: dict[str, list[float]] = {}
    for row in SULFUR:
        if row["level"] == level:
            labs.setdefault(row["lab"], []).append(float(row["result_pct"]))
    return list(labs.values())


@pytest.mark.parametrize("row", E691, ids=lambda row: f"material {float(row['material']):.0f}")
def test_the_glucose_study_of_astm_e691_comes_out(row: dict[str, str]) -> None:
    found = iso5725.precision(glucose(row["material"]))
    assert found.mean == pytest.approx(float(row["xbar"]), rel=1e-12)
    assert found.spread_of_means == pytest.approx(float(row["sx"]), rel=1e-10)
    assert found.repeatability == pytest.approx(float(row["sr"]), rel=1e-10)
    assert found.reproducibility == pytest.approx(float(row["sR"]), rel=1e-10)


def test_a_misprinted_result_shows_in_its_laboratorys_k() -> None:
    found = iso5725.precision(glucose("3.0", misprint=148.30))
    assert round(found.k[3], 3) == 2.409  # computed independently of this project's code
    assert found.k[3] == max(found.k)
    assert (round(found.mean, 4), round(found.repeatability, 6), round(found.reproducibility, 6)) == (
        135.1429,
        2.748272,
        3.476978,
    )


def test_reproducibility_is_never_better_than_repeatability() -> None:
    # material 1: the variance between laboratories comes out negative (-0.0094)
    found = iso5725.precision(glucose("1.0"))
    assert (found.between, found.reproducibility) == (0.0, found.repeatability)


@pytest.mark.parametrize("level", ["1", "3"])
def test_the_sulfur_study_of_iso_5725_2_prints_its_three_decimals(level: str) -> None:
    found = iso5725.precision(sulfur(level))
    triple = (found.mean, found.repeatability, found.reproducibility)
    assert [round(each, 3) for each in triple] == EXPECTED["iso5725_sulfur"]["published_from_memory"][
        f"level{level}"
    ]
    assert triple == pytest.approx(EXPECTED["iso5725_sulfur"]["recomputed"][f"level{level}"], rel=1e-12)


def test_limits_are_2_8_standard_deviations() -> None:
    found = iso5725.precision([[1.0, 3.0], [2.0, 4.0]])
    # within: 2 + 2 over 2 degrees of freedom
    assert found.repeatability == pytest.approx(2.0**0.5)
    assert found.repeatability_limit == pytest.approx(2.8 * 2.0**0.5)
    assert found.reproducibility_limit == pytest.approx(2.8 * found.reproducibility)


@pytest.mark.parametrize("laboratories", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], []]])
def test_a_study_needs_two_laboratories_and_repeats(laboratories: list[list[float]]) -> None:
    with pytest.raises(ValueError, match="give two or more, one with repeats"):
        iso5725.precision(laboratories)


def gauge_study() -> np.ndarray:
    """AIAG's 10 x 3 x 3 as [appraisers, parts, trials]: bays, cars, repeats in our words."""
    table = np.empty((3, 10, 3))
    for row in rows("t06_msa_grr_10x3x3.csv"):
        table["ABC".index(row["appraiser"]), int(row["part"]) - 1, int(row["trial"]) - 1] = float(
            row["value"]
        )
    return table


def test_the_gauge_study_of_aiag_prints_every_figure() -> None:
    printed = EXPECTED["msa_10x3x3"]["published"]
    found = iso5725.crossed(gauge_study())
    assert [round(ss, 4) for ss in found.squares] == printed["SS"][:4]
    assert round(sum(found.squares), 4) == printed["SS"][4]
    assert (*found.df, sum(found.df)) == tuple(printed["df"])
    assert (found.pooled, round(found.interaction_ratio, 3)) == (True, printed["F_interaction"])
    assert round(found.repeatability, 6) == printed["EV"]
    assert round(found.bays, 6) == printed["AV"]
    # the sixth decimal in print does not follow from the two figures above it: sqrt(.199933^2 + .226838^2) = .302372
    assert found.reproducibility == pytest.approx(printed["GRR"], abs=1.6e-6)
    assert found.reproducibility == pytest.approx(np.hypot(printed["EV"], printed["AV"]), abs=5e-7)
    assert round(found.cars, 6) == printed["PV"]
    total = np.hypot(found.reproducibility, found.cars)
    assert round(total, 3) == printed["TV"]
    assert round(100 * found.reproducibility / total, 1) == printed["pct_GRR"]


def test_an_interaction_that_is_there_is_kept_apart_from_repeats() -> None:
    random = np.random.default_rng(1)
    table = 0.05 * random.standard_normal((4, 12, 3)) + random.standard_normal((4, 12, 1))
    found = iso5725.crossed(table)
    assert not found.pooled
    assert found.repeatability == pytest.approx(0.05, rel=0.15)
    assert found.bays > 0.7  # the interaction is a bay's disagreement too


@given(shift=st.floats(-100, 100), unit=st.floats(0.01, 100))
def test_components_do_not_hang_on_where_or_in_what_unit_results_stand(shift: float, unit: float) -> None:
    plain, moved = iso5725.crossed(gauge_study()), iso5725.crossed(gauge_study() * unit + shift)
    assert moved.repeatability == pytest.approx(plain.repeatability * unit, rel=1e-6)
    assert moved.bays == pytest.approx(plain.bays * unit, rel=1e-6)


@pytest.mark.parametrize("shape", [(3, 3), (1, 4, 3), (3, 4, 1)])
def test_a_crossed_study_needs_two_of_each(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"give \[bays, cars, repeats\]"):
        iso5725.crossed(np.zeros(shape))
