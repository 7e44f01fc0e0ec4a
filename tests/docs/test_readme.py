"""The README, typed as it stands; and the figure it ends with, worked out by hand."""

import json
import math
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from scipy.optimize import brentq
from scipy.stats import t

from service.domain.units import QUANTITIES, SYSTEMS, symbol
from tests.factories import session, setup
from tests.live import Live, clean_environment, free_port, wait_until_said

README = Path(__file__).resolve().parents[2] / "README.md"
HOME = "http://127.0.0.1:8321"


@dataclass(frozen=True)
class OwnLedger:
    """A ledger that began empty: its address, what each post answered, the tokens printed."""

    url: str
    made: list[dict[str, Any]]
    reading: str
    posting: str

    def ask(self, path: str, token: str | None = None) -> httpx.Response:
        return httpx.get(self.url + path, headers=bearer(token) if token else {})


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def walk_through() -> list[str]:
    """The shell blocks of the walk-through, in order."""
    return blocks_of("Post a session")


def blocks_of(section: str) -> list[str]:
    """The shell blocks of the section that begins with these words."""
    text = README.read_text(encoding="utf-8").split(f"## {section}")[1].split("\n## ")[0]
    return re.findall(r"```sh\n(.*?)```", text, flags=re.S)


@pytest.fixture(scope="module")
def typed(live: Live) -> list[str]:
    """What each block printed: asked, car added, session posted, asked again, setting changed."""
    command = f"{shlex.quote(sys.executable)} -m service"
    script = "\n".join(
        f"{block}\necho; echo '=== next ==='" for block in [*walk_through(), *blocks_of("Settings")]
    )
    script = script.replace(HOME, live.url).replace(".venv/bin/bayledger", command)
    script = script.replace("token create", f"token create --data-dir {shlex.quote(str(live.data_dir))}")
    ran = subprocess.run(
        ["bash", "-eu", "-c", script], cwd=README.parent, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return [part.strip() for part in ran.stdout.split("=== next ===")[:-1]]


@pytest.fixture(scope="module")
def own_ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OwnLedger]:
    """The section about one's own ledger, typed: served, filled, tokens made."""
    folder, port = tmp_path_factory.mktemp("own"), free_port()
    command = f"exec {shlex.quote(sys.executable)} -m service"
    serve, fill, tokens = (
        block.replace("~/our-ledger", shlex.quote(str(folder / "data"))).replace("8322", str(port))
        for block in blocks_of("Your own ledger")
    )
    log = folder / "serve.log"
    with log.open("w") as out:
        served = subprocess.Popen(
            ["bash", "-eu", "-c", serve.replace(".venv/bin/bayledger", command)],
            cwd=README.parent, env=clean_environment(), stdout=out, stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        wait_until_said(served, log, f"127.0.0.1:{port}")
        script = (fill + tokens).replace(".venv/bin/bayledger", command.removeprefix("exec "))
        ran = subprocess.run(
            ["bash", "-eu", "-c", script], cwd=README.parent, env=clean_environment(), capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
        *made, reading, posting = ran.stdout.split("\n")[:-1]
        yield OwnLedger(
            f"http://127.0.0.1:{port}", [json.loads(line) for line in made if line], reading, posting
        )
    finally:
        served.send_signal(signal.SIGTERM)
        served.wait(timeout=60)


@pytest.fixture(scope="module")
def before(typed: list[str]) -> dict[str, Any]:
    return json.loads(typed[0])


@pytest.fixture(scope="module")
def posted(typed: list[str]) -> dict[str, Any]:
    return json.loads(typed[2])


@pytest.fixture(scope="module")
def after(typed: list[str]) -> dict[str, Any]:
    return json.loads(typed[3])


@pytest.fixture(scope="module")
def changed(typed: list[str]) -> dict[str, Any]:
    return json.loads(typed[4])


def test_the_first_question_rests_on_two_cars_whose_pairs_alone_have_no_interval(before):
    assert before["evidence"]["cars"] == 2
    assert before["typical_percent"] is not None
    assert before["pairs_only"]["typical_percent"] is not None
    assert before["pairs_only"]["interval_percent"] is None


def test_the_posted_session_is_kept_with_its_factors_and_its_pair(posted):
    assert [len(setup["pulls"]) for setup in posted["setups"]] == [2, 2]
    assert all(0.93 < pull["factor"] < 1.07 for setup in posted["setups"] for pull in setup["pulls"])
    assert [(pair["part"], pair["match"], pair["usable"]) for pair in posted["pairs"]] == [
        ("hard-charge-pipes", "same-session", True)
    ]


def test_the_second_answer_rests_on_three_cars_and_has_an_interval(after):
    assert after["evidence"]["cars"] == 3
    for answer, names in ((after, ("typical_percent", "typical_interval_percent")),
                          (after["pairs_only"], ("typical_percent", "interval_percent"))):  # fmt: skip
        typical, (low, high) = (answer[name] for name in names)
        assert low < typical < high


def test_the_pairs_answer_moved_as_worked_out_by_hand(live, before, after):
    """Paule & Mandel 1982, Hartung & Knapp 2001 by their defining equations, solved with scipy."""
    spreads = {item["name"]: item["value"] for item in httpx.get(f"{live.url}/v1/settings").json()["items"]}
    gains, variances = hand_measured(live.url, after, spreads)
    mean, low, high = hand_pooled(gains, variances, after["level"])
    percent = [100 * math.expm1(value) for value in (mean, low, high)]
    alone = after["pairs_only"]
    assert [alone["typical_percent"], *alone["interval_percent"]] == pytest.approx(percent, rel=2e-4)
    assert alone["typical_percent"] != pytest.approx(before["pairs_only"]["typical_percent"], rel=1e-2)
    assert after["typical_percent"] != before["typical_percent"]


def hand_measured(
    url: str, answer: dict[str, Any], spreads: dict[str, float]
) -> tuple[list[float], list[float]]:
    """ln gain of each car and its variance, from the pulls themselves; all pairs here are same-session A-B."""
    assert {(pair["match"], pair["used"]) for pair in answer["pairs"]} == {("same-session", True)}
    sides = [[corrected_peaks(url, pair[side]) for side in ("after", "before")] for pair in answer["pairs"]]
    squares = sum(
        sum((math.log(p) - sum(map(math.log, peaks)) / len(peaks)) ** 2 for p in peaks)
        for pair in sides
        for peaks in pair
    )
    freedom = sum(len(peaks) - 1 for pair in sides for peaks in pair)
    pull_variance = (4 * 0.005**2 + squares) / (
        4 + freedom
    )  # the start of 0.5 % weighs as four further pulls
    gains = [math.log(mean(after) / mean(before)) for after, before in sides]
    variances = [
        2 * spreads["setup_spread"] ** 2 + pull_variance * (1 / len(after) + 1 / len(before))
        for after, before in sides
    ]
    return gains, variances


def corrected_peaks(url: str, setup: str) -> list[float]:
    """Peak power of each accepted pull, corrected by the factor the service states."""
    pulls = httpx.get(url + setup).json()["pulls"]
    return [pull["observed"]["peak_power"] * pull["factor"] for pull in pulls if pull["status"] == "accepted"]


def mean(values: list[float]) -> float:
    return sum(values) / len(values)


def hand_pooled(y: list[float], v: list[float], level: float) -> tuple[float, float, float]:
    """Mean and interval: tau2 solves sum w (y - m)^2 = k - 1 (0 where it is less at 0); factor never under 1."""

    def weighted(tau2: float) -> tuple[float, float, float]:
        w = [1 / (vi + tau2) for vi in v]
        m = sum(wi * yi for wi, yi in zip(w, y, strict=True)) / sum(w)
        return m, sum(wi * (yi - m) ** 2 for wi, yi in zip(w, y, strict=True)), sum(w)

    k = len(y)
    tau2 = 0.0 if weighted(0.0)[1] <= k - 1 else brentq(lambda x: weighted(x)[1] - (k - 1), 0, 1, xtol=1e-15)
    m, q, total = weighted(tau2)
    half = t.ppf(0.5 + level / 2, k - 1) * math.sqrt(max(1.0, q / (k - 1)) / total)
    return m, m - half, m + half


def test_posting_the_same_again_is_answered_with_the_first_answer(live, posted):
    block = walk_through()[2]
    body = json.loads(block.split("<<'JSON'\n")[1].split("JSON")[0])
    headers = {"Authorization": f"Bearer {live.token('admin')}"}
    again = httpx.post(f"{live.url}/v1/sessions", json=body, headers=headers)
    assert (again.status_code, again.json()["id"]) == (201, posted["id"])


def test_the_changed_setting_is_answered_is_in_force_and_stands_in_the_history(live, changed):
    in_force = httpx.get(f"{live.url}/v1/settings").json()
    for document in (changed, in_force):
        values = {item["name"]: item["value"] for item in document["items"]}
        assert (values["labour_rate"], values["currency"]) == (78, "GBP")
    history = httpx.get(f"{live.url}/v1/settings/labour_rate/history").json()["items"]
    assert (history[0]["value"], history[0]["changed_by"]) == (78, "walk-through")


def test_an_empty_ledger_takes_the_bay_the_kind_of_car_the_part_and_the_car(own_ledger):
    named = [one.get("slug") or one.get("tag") for one in own_ledger.made]
    assert named == ["north", "stoat", "hard-pipes", "car-1"]


def test_ones_own_ledger_is_read_with_the_token_and_not_without(own_ledger):
    assert own_ledger.ask("/v1/vehicles").status_code == 401
    (car,) = own_ledger.ask("/v1/vehicles", own_ledger.reading).json()["items"]
    assert (car["tag"], car["platform"]) == ("car-1", "stoat")


def test_the_bays_token_posts_a_session_and_adds_a_car_that_was_never_here(own_ledger):
    headers = bearer(own_ledger.posting)
    car = httpx.post(
        f"{own_ledger.url}/v1/vehicles", json={"tag": "walk-in", "platform": "stoat"}, headers=headers
    )
    assert car.status_code == 201, car.text
    body = session(setup(), setup(["hard-pipes"], 1.03), vehicle="walk-in")
    posted = httpx.post(f"{own_ledger.url}/v1/sessions", json=body, headers=headers)
    assert posted.status_code == 201, posted.text
    assert [pair["part"] for pair in posted.json()["pairs"]] == ["hard-pipes"]


def test_the_readme_names_the_units_as_the_house_has_them():
    section = README.read_text(encoding="utf-8").split("## Settings")[1].split("\n## ")[0]
    for system in SYSTEMS:
        named = re.search(rf"`{system}` \(([^)]*)\)", section)
        assert named, system
        words = named[1].replace("metric horsepower", "PS").split(", ")
        assert words == [symbol(quantity, system) for quantity in QUANTITIES[:4]]


def test_every_file_the_readme_points_to_is_there():
    links = re.findall(r"\]\(([A-Za-z./]+)\)", README.read_text(encoding="utf-8"))
    assert links
    assert [name for name in links if not (README.parent / name).exists()] == []
