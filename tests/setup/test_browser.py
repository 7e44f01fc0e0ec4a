"""Finding the browser, and what is said without one."""

from pathlib import Path

import pytest

import bootstrap
from tests.setup import browser


def test_a_browser_named_in_the_environment_wins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    named = tmp_path / "chromium"
    named.touch()
    monkeypatch.setenv("BAYLEDGER_BROWSER", str(named))
    assert browser.find_browser(lambda name: "/usr/bin/other") == str(named)


def test_a_named_browser_that_is_absent_is_not_replaced_by_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BAYLEDGER_BROWSER", "/absent/chromium")
    assert browser.find_browser(lambda name: "/usr/bin/other") is None


def test_without_a_browser_it_ends_with_the_line_to_type(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(browser, "find_browser", lambda: None)
    monkeypatch.setattr(bootstrap, "is_root", lambda: False)
    monkeypatch.setattr(bootstrap, "package_hint", lambda need: f"sudo apt-get install -y {need}")
    assert browser.main() == 1
    assert capsys.readouterr().out.endswith("  sudo apt-get install -y browser\n")


def test_as_root_on_debian_it_is_installed_first(monkeypatch: pytest.MonkeyPatch) -> None:
    here: list[str] = []
    monkeypatch.setattr(browser, "find_browser", lambda: here[0] if here else None)
    monkeypatch.setattr(browser, "install_browser", lambda: here.append("/usr/bin/chromium"))
    monkeypatch.setattr(bootstrap, "is_root", lambda: True)
    monkeypatch.setattr(browser.shutil, "which", lambda name: f"/usr/bin/{name}")
    assert browser.main() == 0
