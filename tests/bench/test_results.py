"""What the bench says of what it measured: every promise has a line, and figures, errors and laws are what they claim."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.store.db import Connection
from tests.bench import names
from tests.bench.clients import Took
from tests.bench.growth import CHARTS, Point, law, laws, write_charts
from tests.bench.machine import Load
from tests.bench.posting import Posting, kept_of
from tests.bench.promises import MILLION, PROMISES, all_targets
from tests.bench.report import change_lines, report
from tests.bench.results import (
    Figure,
    Results,
    UnreadableError,
    changes,
    median_with_error,
    percentile,
    read_results,
    times_of,
    write_results,
)
from tests.conftest import Client

QUIET = Load((0.0, 0.0, 0.0), 0.0)


def results(*figures: Figure) -> Results:
    return Results(
        "2026-01-05T10:00:00+00:00", "0" * 40, False, {}, {"cores": 2}, QUIET, QUIET, list(figures)
    )


def lines_of(found: Results) -> str:
    return "\n".join(report(found, laws(found)))


# --- Promises and the report -------------------------------------------------------------------------------------------


def test_every_promise_has_a_line_though_nothing_was_measured() -> None:
    lines = lines_of(results())
    for promise in PROMISES:
        assert promise.what in lines
    for target in all_targets():
        assert any(target.figure in line and "not measured" in line for line in lines.splitlines()), target


def test_no_figure_has_two_targets() -> None:
    figures = [target.figure for target in all_targets()]
    assert len(figures) == len(set(figures))


@pytest.mark.parametrize(
    ("figure", "verdict"),
    [
        (Figure(names.STOCK_SPREAD, 1.6, "x row"), "reached"),
        (Figure(names.STOCK_SPREAD, 1.7, "x row"), "MISSED"),
        (Figure(names.BAYS_AT_ONCE, 1.6, "x one bay"), "reached"),
        (Figure(names.BAYS_AT_ONCE, 1.5, "x one bay"), "MISSED"),
        (Figure(names.GAIN_NEW, 18.9, "x row", base_ms=2.0), "reached"),  # 4 + 30 / 2 = 19
        (Figure(names.GAIN_NEW, 19.1, "x row", base_ms=2.0), "MISSED"),
        (Figure(names.REFIT_MIN, 11.0, "min", pulls=10_000), ""),
        (Figure(names.REFIT_MIN, 11.0, "min", pulls=MILLION), "MISSED"),
        (Figure(names.PSS_LOADED, 300.0, "MB", pulls=10_000), "MISSED"),
        (Figure(names.PSS_LOADED, 300.0, "MB", pulls=MILLION), ""),
        (Figure("something of no promise", 1e9, "x"), ""),
        (Figure("a limit of its own", 3.0, "ms", most=2.0), "MISSED"),
    ],
)
def test_a_figure_is_judged_by_its_target_where_that_is_promised(figure: Figure, verdict: str) -> None:
    assert figure.verdict == verdict
    assert results(figure).missed == (verdict == "MISSED")
    assert verdict in next(
        line for line in lines_of(results(figure)).splitlines() if f"  {figure.name} " in line
    )


def test_a_limit_that_depends_on_its_base_is_shown_worked_out() -> None:
    lines = lines_of(results(Figure(names.GAIN_NEW, 10.0, "x row", base_ms=2.0)))
    assert "<= 4 + 30 ms = 19" in lines


def test_a_machine_that_others_use_is_warned_of() -> None:
    found = results()
    assert "WARNING" not in lines_of(found)
    found.load_after = Load((2.0, 1.0, 1.0), 0.5)
    assert "WARNING: others used" in lines_of(found)


# --- Figures -----------------------------------------------------------------------------------------------------------


def test_the_error_of_a_median_is_that_of_its_rounds() -> None:
    """Of 8, 9, 10, 11, 12 the median is 10, the median distance from it 1: 1.2533 x 1.4826 x 1 / sqrt(5) / 10."""
    value, error = median_with_error([12.0, 8.0, 10.0, 9.0, 11.0])
    assert value == 10.0
    assert error == pytest.approx(1.2533 * 1.4826 / math.sqrt(5) / 10.0)


def test_one_round_has_no_error() -> None:
    assert median_with_error([3.0]) == (3.0, None)


def test_the_95th_percentile_is_a_value_that_was_measured() -> None:
    assert percentile([float(n) for n in range(100, 0, -1)], 0.95) == 95.0
    assert percentile([7.0], 0.95) == 7.0


def test_times_are_over_all_requests_and_rates_over_rounds() -> None:
    rounds = [Took((1.0, 3.0), 0.004, 0.5), Took((2.0, 8.0), 0.010, 1.5)]
    found = times_of("a request", "10 pulls", 10, 1, rounds)
    assert (found.median_ms, found.p95_ms, found.per_second) == (2.5, 8.0, 350.0)  # 2 / 0.004 and 2 / 0.010
    assert (found.cpu_ms, found.rounds_ms) == (1.0, (2.0, 5.0))


# --- Growth ------------------------------------------------------------------------------------------------------------


def test_a_power_of_the_history_is_found_again() -> None:
    points = [Point(n, 3.0 * n**0.5, (3.0 * n**0.5,)) for n in (10_000, 100_000, 1_000_000)]
    found = law("something", points)
    assert found.slope == pytest.approx(0.5)
    assert found.error == pytest.approx(0.0, abs=1e-12)
    assert "grows as pulls^0.50" in str(found)
    assert "10.00 times as much" in str(found)


def test_what_stays_the_same_does_not_grow() -> None:
    points = [Point(n, 2.0, (2.0, 2.0)) for n in (10_000, 1_000_000)]
    assert law("something", points).verdict == "does not grow with the history"


def test_what_scatters_too_much_is_not_called_flat() -> None:
    points = [Point(10_000, 2.0, (1.5, 2.5, 2.0)), Point(1_000_000, 2.0, (2.4, 1.6, 2.0))]
    assert law("something", points).verdict == "is not told apart from flat"


def two_sizes() -> Results:
    found = results()
    for name in {name for _, shown in CHARTS.values() for name in shown}:
        for pulls, ms in ((10_000, 2.0), (1_000_000, 3.0)):
            found.times.append(times_of(name, f"{pulls} pulls", pulls, 1, [Took((ms,), ms / 1000.0)]))
    return found


def test_two_sizes_are_drawn_and_one_is_not(tmp_path: Path) -> None:
    written = write_charts(two_sizes(), tmp_path, "run")
    assert {path.name for path in written} == {f"run-{name}.svg" for name in CHARTS}
    assert all("<svg" in path.read_text() and "pulls in the history" in path.read_text() for path in written)
    one = two_sizes()
    one.times = [times for times in one.times if times.pulls == 10_000]
    assert write_charts(one, tmp_path, "other") == []


# --- Results and comparison --------------------------------------------------------------------------------------------


def test_a_run_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    found = results(Figure(names.STOCK_SPREAD, 1.5, "x row", "10 pulls", 10, 0.02, 2.0, 1.4))
    write_results(found, tmp_path / "deep" / "run.json")
    document = read_results(tmp_path / "deep" / "run.json")
    assert document["figures"][0] == {
        "name": names.STOCK_SPREAD, "value": 1.5, "unit": "x row", "of": "10 pulls", "pulls": 10, "error": 0.02,
        "base_ms": 2.0, "by_cpu": 1.4, "most": None, "key": f"{names.STOCK_SPREAD} | 10 pulls", "limit": 1.6,
        "verdict": "reached",
    }  # fmt: skip
    assert (document["commit"], document["changed"], document["load_before"]["in_use"]) == (
        "0" * 40,
        False,
        0.0,
    )


@pytest.mark.parametrize(
    ("then", "now", "error", "moved"),
    [
        (1.0, 1.04, 0.001, False),  # less than 5 %
        (1.0, 1.10, 0.010, True),  # 9.5 % in logs, over 3 x sqrt(2) x 1 % = 4.2 %
        (1.0, 0.90, 0.010, True),
        (1.0, 1.10, 0.030, False),  # under 3 x sqrt(2) x 3 % = 12.7 %
        (1.0, 1.10, None, True),
    ],
)
def test_a_figure_has_moved_when_it_did_so_by_more_than_the_noise(
    tmp_path: Path, then: float, now: float, error: float | None, moved: bool
) -> None:
    write_results(results(Figure("a", then, "x", error=error)), tmp_path / "then.json")
    found = changes(results(Figure("a", now, "x", error=error)), read_results(tmp_path / "then.json"))
    assert [one.moved for one in found] == [moved]
    assert ("  moved" in "\n".join(list(change_lines(found, "then.json"))[:-1])) == moved


def test_a_file_of_another_kind_is_refused_with_a_reason(tmp_path: Path) -> None:
    (tmp_path / "other.json").write_text('{"form": 0}')
    with pytest.raises(UnreadableError, match="not of this bench's form"):
        read_results(tmp_path / "other.json")
    with pytest.raises(UnreadableError, match="give a file that --results wrote"):
        read_results(tmp_path / "absent.json")


# --- What was posted is held against the documents ---------------------------------------------------------------------


class Direct:
    """Stands for a line: posts through the app of the test."""

    def __init__(self, admin: Client) -> None:
        self.admin = admin

    def json(self, method: str, path: str, document: Any = None) -> Any:
        answer = self.admin.post(path, document)
        assert answer.status_code == 201, answer.json
        return answer.json


@pytest.fixture
def posting(admin: Client) -> Posting:
    """Six sessions of a run, kept."""
    line = Direct(admin)
    made = Posting(line, "test", cars=2)  # type: ignore[arg-type]
    for _ in range(6):
        line.json("POST", "/v1/sessions", json.loads(made.body()))
    return made


def test_what_is_kept_as_it_was_sent_is_found_to_be_so(posting: Posting, connection: Connection) -> None:
    """Two cars in turn, each third session with the part: each car once with it and twice without, so two pairs each."""
    found = kept_of(posting, connection)
    assert (found.sessions, found.pairs) == (6, 4)
    assert found.is_whole


@pytest.mark.parametrize(
    ("harm", "what"),
    [
        (lambda posting: posting.body(), "lost"),
        (lambda posting: posting.made.pop(), "doubled"),
        (
            lambda posting: posting.made.append(
                posting.made.pop().replace(b'"parts": []', b'"parts": ["pipe-test"]')
            ),
            "damage",
        ),
    ],
)
def test_what_is_kept_otherwise_is_found(
    posting: Posting, connection: Connection, harm: Callable[[Posting], object], what: str
) -> None:
    harm(posting)
    assert getattr(kept_of(posting, connection), what)
