"""The alert rules: they go by what /metrics serves, and each speaks when it should.

What the rules say of made-up series is worked out by Prometheus's own promtool (Debian's package `prometheus`).
"""

import re
import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families

from service.store.db import PoolStanding
from service.store.standby import Standing
from service.worker.refit import refit
from tests.api.bodies import session

RULES = Path(__file__).resolve().parents[2] / "service" / "watch" / "alerts.yml"
CASES = (
    Path(__file__).with_name("alerts_test.yml"),
    Path(__file__).with_name("alerts_of_days_test.yml"),
)
SELECTED = re.compile(r"\b(bayledger_\w+)(?:\{([^}]*)\})?")
LABEL = re.compile(r'(\w+)=~?"([^"]*)"')


def rules() -> list[dict]:
    """The rules as they are written."""
    return [rule for group in yaml.safe_load(RULES.read_text())["groups"] for rule in group["rules"]]


@pytest.fixture
def served(shop, nobody, app, connection) -> dict[str, list[dict[str, str]]]:
    """The labels of every sample that /metrics serves, by name, where there is a post, a refused one, a fit, a standby."""
    assert shop.post("/v1/sessions", session([])).status_code == 201
    assert nobody.post("/v1/sessions", session([])).status_code == 401
    refit(connection)
    pool = SimpleNamespace(standing=PoolStanding(1, 2, 0, 0))
    app.extensions["bayledger"].read = SimpleNamespace(standing=Standing("", 0.0, 0), pool=pool)
    found: dict[str, list[dict[str, str]]] = {}
    for family in text_string_to_metric_families(nobody.get("/metrics").text):
        for sample in family.samples:
            found.setdefault(sample.name, []).append(sample.labels)
    return found


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule["alert"])
def test_a_rule_goes_by_names_and_labels_that_are_served(served, rule):
    selected = SELECTED.findall(rule["expr"])
    assert selected or rule["expr"] == 'up{job="bayledger"} == 0'
    for name, labels in selected:
        assert name in served
        for label, value in LABEL.findall(labels):
            values = {labels.get(label) for labels in served[name]}
            assert values - {None}
            assert label == "status" or value in values


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: rule["alert"])
def test_a_rule_says_what_is_wrong_and_the_way_out(rule):
    assert rule["labels"]["severity"] in ("page", "look")
    assert rule["annotations"]["summary"].endswith(".")
    assert rule["annotations"]["way_out"].endswith(".")


def test_every_rule_is_tried_and_seen_to_wait_first():
    tried = [case for path in CASES for case in cases_of(yaml.safe_load(path.read_text()))]
    for rule in rules():
        speaks = [bool(case.get("exp_alerts")) for case in tried if case["alertname"] == rule["alert"]]
        assert speaks[:2] == [False, True], rule["alert"]


@pytest.mark.machine
def test_prometheus_can_read_the_rules():
    promtool("check", "rules", RULES)


@pytest.mark.machine
@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_each_rule_speaks_when_it_should_and_not_before(tmp_path, path):
    document = yaml.safe_load(path.read_text().replace("RULES", str(RULES)))
    words = {rule["alert"]: rule["annotations"] for rule in rules()}
    for case in cases_of(document):
        for alert in case.get("exp_alerts", []):
            said = words[case["alertname"]]
            alert["exp_annotations"] = {
                name: in_print(text, alert["exp_labels"]) for name, text in said.items()
            }
    written = tmp_path / "cases.yml"
    written.write_text(yaml.safe_dump(document))
    promtool("test", "rules", written)


def cases_of(document: dict) -> list[dict]:
    """What is looked at, in order."""
    return [case for test in document["tests"] for case in test["alert_rule_test"]]


def promtool(*words: object) -> None:
    """Run it; it must be content."""
    ran = subprocess.run(["promtool", *map(str, words)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr


def in_print(text: str, labels: dict[str, str]) -> str:
    """An annotation with its labels filled in."""
    return re.sub(r"\{\{ \$labels\.(\w+) \}\}", lambda found: labels[found[1]], text)
