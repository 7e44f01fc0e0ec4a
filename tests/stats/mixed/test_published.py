"""The same solver that serves answers against published mixed models; sources in data/SOURCES.md."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.sparse import csr_array, eye_array

from service.stats.mixed.block import Block, Floats, Prior
from service.stats.mixed.reml import Fitted, Map, fit_reml
from service.stats.mixed.rows import rows
from service.stats.mixed.solve import Solution, reduce, solve
from tests.stats.mixed.layouts import NO_BORDER, block, flat, incidence, joined, random, same, starts, table

LME4 = 5e-7  # relative; lme4's own search ends within about 3e-7 of the optimum
EXPECTED = table("lme4_reml_expected")


def lme4(model: str, start: str) -> Floats:
    """Values of all parameters of a model that begin so."""
    chosen = (EXPECTED["model"] == model) & np.char.startswith(EXPECTED["param"], start)
    return EXPECTED["value"][chosen].astype(float)


def lme4_se(model: str) -> Floats:
    """Standard errors of the fixed effects."""
    chosen = (EXPECTED["model"] == model) & np.char.startswith(EXPECTED["param"], "beta")
    return EXPECTED["se"][chosen].astype(float)


def numbers(name: str, column: str) -> Floats:
    return table(name)[column].astype(float)


def ones(n: int) -> Floats:
    return np.ones((n, 1))


def unit(n: int) -> csr_array:
    return csr_array(eye_array(n))


def solved(fitted: Fitted, blocks: list[Block], border: Prior = NO_BORDER) -> Solution:
    return solve([reduce(each, fitted.theta) for each in blocks], border, fitted.theta)


def fitted_to(blocks: list[Block], border: Prior, start: Floats, to_theta: Map | None = None) -> Fitted:
    """The search, ended late enough for all printed digits."""
    return fit_reml(blocks, border, start, to_theta=to_theta, gradient_tolerance=1e-9)


def batches(name: str) -> Block:
    """Batches as groups, a mean over all: yield ~ 1 + (1 | batch)."""
    batch, y = table(name)["Batch"], numbers(name, "Yield")
    return block(y, ones(len(y)), starts(batch), [same(batch), unit(len(y))])


def test_dyestuff_agrees_with_the_analysis_of_variance_to_ten_digits() -> None:
    dyestuff = batches("dyestuff")
    fitted = fitted_to([dyestuff], NO_BORDER, np.log([30.0, 30.0]))
    between, within, per_batch = 11271.5, 2451.25, 5
    assert fitted.theta[0] == pytest.approx((between - within) / per_batch, rel=1e-9)
    assert fitted.theta[1] == pytest.approx(within, rel=1e-9)
    solution = solved(fitted, [dyestuff])
    assert solution.local[0][0, 0] == pytest.approx(1527.5, rel=1e-12)
    assert solution.variance(0, ones(1), np.zeros((1, 0)))[0] == pytest.approx(between / 30, rel=1e-9)


def test_dyestuff_has_lme4s_likelihood_and_predictors() -> None:
    dyestuff, model = batches("dyestuff"), "Dyestuff: Yield ~ 1 + (1|Batch)"
    fitted = fitted_to([dyestuff], NO_BORDER, np.log([30.0, 30.0]))
    # lme4's tests print 319.654276842342
    assert fitted.criterion == pytest.approx(319.654276842342, abs=5e-12 * 319)
    predictors, _ = rows(solved(fitted, [dyestuff]), 0).predict(
        incidence(table("dyestuff")["Batch"]), fitted.theta[0]
    )
    assert_allclose(predictors[:, 0], lme4(model, "blup"), rtol=LME4)


def test_dyestuff2_ends_at_no_variance_between_batches(recwarn: pytest.WarningsRecorder) -> None:
    fitted = fitted_to([batches("dyestuff2")], NO_BORDER, np.log([2.0, 2.0]))
    assert fitted.converged
    assert np.sqrt(fitted.theta[0]) < 1e-5
    assert np.sqrt(fitted.theta[1]) == pytest.approx(np.std(numbers("dyestuff2", "Yield"), ddof=1), rel=1e-10)
    assert fitted.criterion == pytest.approx(161.828277812288, abs=1e-9)
    assert not recwarn.list


def penicillin(samples: str) -> tuple[list[Block], Prior]:
    """Crossed plates and samples; the samples as the block's columns, as the border's, or inside one large group."""
    data, y = table("penicillin"), numbers("penicillin", "diameter")
    plate, sample, n = data["plate"], incidence(data["sample"]), len(y)
    if samples == "group":
        patterns = [same(plate), same(data["sample"]), unit(n)]
        return [block(y, ones(n), np.array([0, n]), patterns)], NO_BORDER
    patterns, six = [same(plate), unit(n)], random(6, 1)
    if samples == "border":
        return [block(y, ones(n), starts(plate), patterns, border=sample, pattern_theta=(0, 2))], six
    columns = csr_array(np.column_stack([np.ones(n), sample.toarray()]))
    prior = joined(flat(1), six)
    return [block(y, columns, starts(plate), patterns, prior, pattern_theta=(0, 2))], NO_BORDER


@pytest.mark.parametrize("samples", ["local", "border", "group"])
def test_crossed_penicillin_agrees_wherever_the_samples_are_placed(samples: str) -> None:
    blocks, border = penicillin(samples)
    fitted = fitted_to(blocks, border, np.log([1.0, 1.0, 1.0]))
    exact = [0.8467043241653999, 1.9315584056393778, 0.5499231391178208]  # closed form of the balanced layout
    assert_allclose(np.sqrt(fitted.theta), exact, rtol=1e-8)
    assert fitted.criterion == pytest.approx(330.860588991086, abs=1e-9)
    solution, intercept = solved(fitted, blocks, border), np.zeros((1, len(blocks[0].prior_local)))
    intercept[0, 0] = 1.0
    nothing = np.zeros((1, len(border)))
    assert solution.mean(0, intercept, nothing)[0, 0] == pytest.approx(22.97222222222222, rel=1e-12)
    assert solution.variance(0, intercept, nothing)[0] ** 0.5 == pytest.approx(0.808573390985487, rel=1e-8)


def test_nested_pastes_agree_with_lme4() -> None:
    data, y = table("pastes"), numbers("pastes", "strength")
    batch, cask, model = data["batch"], data["cask"], "Pastes: strength ~ 1 + (1|batch/cask)"
    pastes = block(y, ones(60), starts(batch), [same(batch, cask), same(batch), unit(60)])
    fitted = fitted_to([pastes], NO_BORDER, np.log([1.0, 1.0, 1.0]))
    assert_allclose(np.sqrt(fitted.theta), lme4(model, "sd"), rtol=LME4)
    # Analysis of variance of the balanced layout; lme4's search ends 1.3e-7 above the batches' 1.287365000
    among_batches, among_casks, within = 27.489185185185164, 17.54533333333334, 0.678
    exact = [(among_casks - within) / 2, (among_batches - among_casks) / 6, within]
    assert_allclose(fitted.theta, exact, rtol=1e-8)
    assert fitted.criterion == pytest.approx(lme4(model, "criterion")[0], abs=1e-9)
    solution = solved(fitted, [pastes])
    assert solution.variance(0, ones(1), np.zeros((1, 0))) ** 0.5 == pytest.approx(lme4_se(model), rel=LME4)


def subjects(patterns: list[csr_array]) -> Block:
    """Sleepstudy: reaction ~ days, subjects as groups."""
    days, subject = numbers("sleepstudy", "Days"), table("sleepstudy")["Subject"]
    fixed = np.column_stack([np.ones(len(days)), days])
    return block(numbers("sleepstudy", "Reaction"), fixed, starts(subject), patterns)


def subject_terms() -> tuple[csr_array, csr_array]:
    """Each subject's own intercept and slope."""
    intercept = incidence(table("sleepstudy")["Subject"])
    return intercept, csr_array(intercept.multiply(numbers("sleepstudy", "Days")[:, np.newaxis]))


def correlated(parameters: Floats) -> tuple[Floats, Floats]:
    """Log sds of intercept, slope and residual, and the inverse tanh of a correlation: to (co)variances."""
    a, b, residual = np.exp(parameters[:3])
    cor = np.tanh(parameters[3])
    theta = np.array([a * a, b * b, residual * residual, cor * a * b])
    derivative = np.diag([2.0 * a * a, 2.0 * b * b, 2.0 * residual * residual, (1.0 - cor * cor) * a * b])
    derivative[3, :2] = theta[3]
    return theta, derivative


def test_sleepstudy_with_correlated_slopes_agrees_with_lme4() -> None:
    intercept, slope = subject_terms()
    cross = intercept @ slope.T
    study = subjects([intercept @ intercept.T, slope @ slope.T, unit(180), cross + cross.T])
    fitted = fitted_to([study], NO_BORDER, np.array([3.0, 1.5, 3.0, 0.0]), to_theta=correlated)
    model = "sleepstudy: Reaction ~ Days + (Days|Subject)"
    assert_allclose(np.exp(fitted.parameters[:3]), lme4(model, "sd"), rtol=LME4)
    assert np.tanh(fitted.parameters[3]) == pytest.approx(lme4(model, "cor")[0], abs=1e-7)
    # lme4's tests print 1743.6282722424 from an older search, 3e-7 above the optimum
    assert fitted.criterion == pytest.approx(lme4(model, "criterion")[0], abs=1e-8)
    solution = solved(fitted, [study])
    assert_allclose(solution.local[0][:, 0], lme4(model, "beta"), rtol=1e-9)
    errors = solution.variance(0, np.eye(2), np.zeros((2, 0))) ** 0.5
    assert_allclose(errors, lme4_se(model), rtol=LME4)
    py = rows(solution, 0).py
    predictors = [fitted.theta[0] * intercept.T @ py + fitted.theta[3] * slope.T @ py]
    predictors.append(fitted.theta[3] * intercept.T @ py + fitted.theta[1] * slope.T @ py)
    found = np.sort(np.concatenate(predictors)[:, 0])
    assert_allclose(found, np.sort(lme4(model, "blup")), rtol=1e-6, atol=1e-6)


def test_sleepstudy_with_uncorrelated_slopes_agrees_with_lme4() -> None:
    intercept, slope = subject_terms()
    study = subjects([intercept @ intercept.T, slope @ slope.T, unit(180)])
    fitted = fitted_to([study], NO_BORDER, np.log([20.0, 5.0, 20.0]))
    model = "sleepstudy: Reaction ~ Days + (Days||Subject)"
    assert_allclose(np.sqrt(fitted.theta), lme4(model, "sd"), rtol=LME4)
    assert fitted.criterion == pytest.approx(lme4(model, "criterion")[0], abs=1e-8)


def test_sleepstudy_with_subjects_own_levels_agrees_with_lme4() -> None:
    study = subjects([same(table("sleepstudy")["Subject"]), unit(180)])
    fitted = fitted_to([study], NO_BORDER, np.log([20.0, 20.0]))
    assert_allclose(np.sqrt(fitted.theta), [37.12382713, 30.99123387], atol=5e-9)
    assert fitted.criterion == pytest.approx(1786.465085, abs=5e-7)
    errors = solved(fitted, [study]).variance(0, np.eye(2), np.zeros((2, 0))) ** 0.5
    assert errors[1] == pytest.approx(0.8042214, abs=5e-8)


def six_readings(mean: Floats, sd: Floats) -> Floats:
    """Readings with exactly these means and sds: all that a restricted likelihood sees of them."""
    shape = np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0]) * np.sqrt(5.0 / 6.0)
    return (mean[:, np.newaxis] + sd[:, np.newaxis] * shape).reshape(-1)


def test_the_nist_gauge_study_gives_its_printed_components() -> None:
    # NIST/SEMATECH e-Handbook 2.6.1: probe 2362, 5 wafers x 2 runs x 6 days x 6 readings
    data = table("nist_gauge_study")
    probe = np.flatnonzero(data["probe"].astype(float) == 2362)
    order = probe[np.lexsort((data["run"][probe], data["wafer"][probe]))]
    each = {name: np.repeat(column[order], 6) for name, column in data.items()}
    y = six_readings(data["avg"][order].astype(float), data["sd"][order].astype(float))
    day = np.repeat(np.arange(60), 6)
    wafers = incidence(each["wafer"])
    study = block(
        y - y.mean(), wafers, starts(each["wafer"]), [same(day), same(each["wafer"], each["run"]), unit(360)]
    )
    fitted = fitted_to([study], NO_BORDER, np.log([0.02, 0.02, 0.05]))
    days, runs, readings = np.sqrt(fitted.theta)
    assert readings == pytest.approx(0.07287, abs=5e-6)
    # printed from standard deviations rounded to five places, hence 1e-5
    assert days == pytest.approx(0.02057092, abs=1e-5)
    assert runs == pytest.approx(0.01295841, abs=1e-5)
    assert_allclose([days, runs], [0.020572190506177254, 0.01295807470266204], rtol=1e-7)


def nested(mean_squares: tuple[float, float, float], levels: tuple[int, int, int]) -> Block:
    """A balanced nested layout with these mean squares: all that a restricted likelihood sees of it."""
    upper, lower, repeats = levels
    top, low = np.repeat(np.arange(upper), lower * repeats), np.repeat(np.arange(upper * lower), repeats)
    at_top = contrast(upper, mean_squares[0] / (lower * repeats) * (upper - 1))
    at_low = contrast(lower, mean_squares[1] / repeats * (lower - 1))
    at_end = contrast(repeats, mean_squares[2] * (repeats - 1))
    y = np.repeat(at_top, lower * repeats) + np.tile(np.repeat(at_low, repeats), upper)
    y = y + np.tile(at_end, upper * lower)
    return block(y, ones(len(y)), starts(top), [same(top), same(low), unit(len(y))])


def contrast(levels: int, squares: float) -> Floats:
    """Effects that add up to 0, their squares to `squares`."""
    effects = np.arange(levels) - (levels - 1) / 2.0
    return effects * np.sqrt(squares / (effects @ effects))


@pytest.mark.parametrize(
    ("mean_squares", "levels", "printed"),
    [
        ((29.43638803, 4.00135747, 2.27194935), (3, 5, 5), (1.017401, 0.345882, 2.271949)),
        ((4.64676488, 4.64238231, 1.95339748), (20, 2, 2), (0.001096, 1.344492, 1.953397)),
    ],
)
def test_nested_sites_and_days_give_the_printed_components(
    mean_squares: tuple[float, float, float], levels: tuple[int, int, int], printed: tuple[float, ...]
) -> None:
    # R package VCA 1.5.2, tests of anovaVCA against SAS: sites / days and days / runs (multi-site and single-site)
    fitted = fitted_to([nested(mean_squares, levels)], NO_BORDER, np.zeros(3))
    assert_allclose(fitted.theta, printed, atol=6e-7)
