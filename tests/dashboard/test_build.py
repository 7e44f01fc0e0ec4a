"""The committed site is what a build gives, and says whose code it carries."""

import json
import re
import shutil
from pathlib import Path

import altair
import jsonschema
import pytest

from dashboard import build

CHARTS = sorted(build.CHARTS)
GRAMMAR = jsonschema.Draft7Validator(altair.load_schema())
"""The chart grammar's published schema, read once: `Chart.from_dict` reads it for each part of a chart."""


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The site in a folder of its own."""
    return Path(shutil.copytree(build.SITE, tmp_path / "site"))


def test_the_committed_site_is_current() -> None:
    assert build.differences(build.SITE) == []
    assert build.main(["--check"]) == 0


def test_all_scripts_of_a_page_are_asked_for_at_once() -> None:
    asked = build.preloads("gain.js")
    assert [
        f'<link rel="modulepreload" href="{name}">' in asked for name in ("ask.js", "dom.js", "say.js")
    ] == [True] * 3
    assert asked[-1] == '<link rel="modulepreload" href="vendor/vega.js">'
    assert len(asked) == len(set(asked))


def test_a_page_without_a_picture_does_not_ask_for_the_chart_bundle() -> None:
    assert not [line for line in build.preloads("start.js") if "vega" in line]


def test_every_import_of_a_script_is_written_so_that_it_is_found() -> None:
    for script in build.scripts():
        text = build.source(script)
        written = len(re.findall(r"^(?:import|\} from) ", text, re.MULTILINE))
        opened = len(re.findall(r"^import \{\n", text, re.MULTILINE))
        assert len(build.IMPORTED.findall(text)) == written - opened, script


def test_a_changed_chart_is_noticed(copy: Path) -> None:
    chart = copy / "charts" / "gain-curve.json"
    chart.write_text(chart.read_text("utf-8").replace("rpm", "rev/min", 1), "utf-8")
    assert build.differences(copy) == ["charts/gain-curve.json is not what a build gives"]


def test_a_changed_file_of_others_is_noticed(copy: Path) -> None:
    (copy / "vendor" / "vega.js").write_bytes(b"// something else")
    assert build.differences(copy) == ["vendor/vega.js is missing or changed: python -m dashboard.vendor"]


def test_another_version_of_the_chart_program_is_noticed(copy: Path) -> None:
    versions = json.loads((copy / build.VERSIONS).read_bytes())
    versions["vega.js"]["vl-convert-python"] = "0.0.1"
    (copy / build.VERSIONS).write_bytes(build.as_json(versions))
    assert len(build.differences(copy)) == 1


@pytest.mark.parametrize("name", ["old.html", "unused.js", "charts/old.json", "vendor/docs/old.css"])
def test_a_file_that_no_page_needs_is_noticed(copy: Path, name: str) -> None:
    (copy / name).write_text("x", "utf-8")
    assert build.differences(copy) == [f"{name} belongs to nothing: remove it"]


def test_the_check_ends_with_one_when_the_site_is_out_of_date(
    copy: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (copy / "gain.html").write_text("", "utf-8")
    monkeypatch.setattr(build, "SITE", copy)
    assert build.main(["--check"]) == 1
    assert "gain.html is not what a build gives" in capsys.readouterr().err


def test_a_saved_picture_wears_the_light_colours_of_the_style_sheet() -> None:
    first = (build.SITE / "style.css").read_text("utf-8").partition("}")[0]
    light = json.loads((build.SITE / "light.json").read_bytes())
    assert {name: first.partition(f"{name}: ")[2].partition(";")[0] for name in light} == light
    used = {
        name
        for chart in (build.SITE / "charts").iterdir()
        for name in re.findall(r"var\((--[a-z]+)\)", chart.read_text("utf-8"))
    }
    assert used <= set(light)


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_is_valid_and_carries_no_data(name: str) -> None:
    spec = json.loads((build.SITE / "charts" / f"{name}.json").read_bytes())
    GRAMMAR.validate(spec)
    assert "datasets" not in spec
    assert '"values"' not in json.dumps(spec)
    assert '"url"' not in json.dumps(spec)


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_takes_its_colours_from_the_style_sheet(name: str) -> None:
    text = (build.SITE / "charts" / f"{name}.json").read_text("utf-8")
    used = set(re.findall(r"var\((--[a-z]+)\)", text))
    defined = set(re.findall(r"(--[a-z]+):", (build.SITE / "style.css").read_text("utf-8")))
    assert used
    assert used <= defined
    assert not re.search(r'"#[0-9a-f]{3,6}"', text)


@pytest.mark.parametrize("name", [*build.PAGES, "vendor/docs/docs.html"])
def test_a_page_has_no_script_or_style_inside_and_loads_nothing_from_elsewhere(name: str) -> None:
    text = (build.SITE / name).read_text("utf-8")
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=", text)
    assert not re.search(r'(?:src|href)="(?:https?:)?//', text)


def test_every_file_of_others_has_its_version_and_its_licence() -> None:
    versions = build.read_versions(build.SITE)
    licences = (build.SITE / "vendor" / "LICENSES.txt").read_text("utf-8")
    for package in ("vega", "vega-lite", "vega-embed"):
        assert versions["vega.js"][package]
        assert re.search(rf"^{package} \d", licences, re.MULTILINE)
    assert "Redistribution and use in source and binary forms" in licences
    assert "Apache License" in (build.SITE / "vendor/docs/LICENSE").read_text("utf-8")
    assert (build.SITE / "vendor/docs/NOTICE").read_text("utf-8").startswith("swagger-ui")
    assert versions["docs/swagger-ui-bundle.js"]["swagger-ui-dist"] == "5.35.0"
