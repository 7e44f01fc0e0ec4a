"""Process settings: read from the environment, documented once, printed."""

import stat
from dataclasses import fields
from pathlib import Path

import pytest

from service.settings import Settings, SettingsError, kept_secret, setting_lines, variable


def test_nothing_given_serves_this_machine_only_from_the_working_folder():
    settings = Settings.from_environment({})
    assert (settings.host, settings.port, settings.threads) == ("127.0.0.1", 8321, 8)
    assert settings.data_dir == Path(".bayledger")
    assert settings.database_url == ""


def test_each_kind_of_value_is_read_from_its_variable():
    settings = Settings.from_environment(
        {
            "BAYLEDGER_PORT": "9000",
            "BAYLEDGER_BEHIND_TLS": "yes",
            "BAYLEDGER_DATA_DIR": "/srv/x",
            "BAYLEDGER_HOST": "::1",
            "BAYLEDGER_READ_MAX_LAG_S": "0.5",
        }
    )
    assert (settings.port, settings.behind_tls, settings.data_dir, settings.host) == (
        9000,
        True,
        Path("/srv/x"),
        "::1",
    )
    assert settings.read_max_lag_s == 0.5


def test_a_flag_comes_before_the_environment_and_an_empty_variable_counts_as_unset():
    settings = Settings.from_environment(
        {"BAYLEDGER_PORT": "9000", "BAYLEDGER_HOST": ""}, port=9001, host=None
    )
    assert (settings.port, settings.host) == (9001, "127.0.0.1")


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("BAYLEDGER_PORT", "ninety", "whole number"),
        ("BAYLEDGER_PORT", "70000", "between 0 and 65535"),
        ("BAYLEDGER_THREADS", "0", "at least 1"),
        ("BAYLEDGER_PROCESSES", "0", "at least 1"),
        ("BAYLEDGER_PROCESSES", "two", "whole number"),
        ("BAYLEDGER_READ_MAX_LAG_S", "soon", "a number"),
        ("BAYLEDGER_READ_MAX_LAG_S", "0", "above 0"),
        ("BAYLEDGER_READ_MAX_LAG_S", "nan", "above 0"),
        ("BAYLEDGER_BEHIND_TLS", "perhaps", "yes or no"),
        ("BAYLEDGER_LOG_LEVEL", "loud", "debug, info, warning, error"),
        ("BAYLEDGER_TLS_CERT", "chain.pem", "belong together"),
    ],
)
def test_a_value_that_cannot_be_used_is_refused_by_the_name_of_its_variable(name, value, words):
    with pytest.raises(SettingsError, match=words) as refused:
        Settings.from_environment({name: value})
    assert name in str(refused.value)


def test_a_post_of_twenty_megabytes_is_over_the_default_limit():
    assert 1_000_000 < Settings().max_body_bytes < 20_000_000


def test_every_setting_has_one_line_with_its_variable_and_a_meaning():
    lines = {line.name: line for line in setting_lines(Settings())}
    assert set(lines) == {one.name for one in fields(Settings)}
    for name, line in lines.items():
        assert line.variable == variable(name)
        assert len(line.meaning) > 10


@pytest.mark.parametrize(
    "name", ["database_url", "read_database_url", "owner_database_url", "secret", "token"]
)
def test_secrets_are_hidden(name):
    lines = {line.name: line for line in setting_lines(Settings(**{name: "hush"}))}
    assert lines[name].value == "(hidden)"
    assert "hush" not in str(lines)


def test_the_key_for_vins_is_made_once_and_readable_by_its_owner_only(tmp_path):
    settings = Settings(data_dir=tmp_path / "data")
    first = kept_secret(settings)
    assert len(first) >= 43  # 32 random bytes in base64
    assert kept_secret(settings) == first
    assert stat.S_IMODE((tmp_path / "data" / "secret").stat().st_mode) == 0o600
    assert [path.name for path in (tmp_path / "data").iterdir()] == ["secret"]
    assert kept_secret(Settings(data_dir=tmp_path / "other")) != first


def test_a_given_key_for_vins_is_used_and_no_file_made(tmp_path):
    assert kept_secret(Settings(data_dir=tmp_path / "data", secret="given")) == "given"
    assert not (tmp_path / "data").exists()


def test_an_emptied_key_file_is_not_silently_replaced(tmp_path):
    (tmp_path / "secret").touch()
    with pytest.raises(SettingsError, match="backup"):
        kept_secret(Settings(data_dir=tmp_path))


def test_the_command_prints_every_setting_with_its_present_value(run, monkeypatch):
    monkeypatch.setenv("BAYLEDGER_PORT", "9000")
    monkeypatch.setenv("BAYLEDGER_SECRET", "hush")
    ran = run("settings")
    assert ran.code == 0
    assert "BAYLEDGER_PORT = 9000" in ran.out
    assert "BAYLEDGER_SECRET = (hidden)" in ran.out
    assert "hush" not in ran.out
    for one in fields(Settings):
        assert variable(one.name) in ran.out


def test_the_command_adds_the_settings_of_a_ledger_when_one_is_named(run, pretend_ledger):
    item = {"name": "labour_rate", "value": 72.0, "meaning": "per hour", "default": None, "bay": None}
    pretend_ledger.document = {"items": [item]}
    ran = run("settings", "--url", pretend_ledger.url, "--token", "t")
    assert ran.code == 0
    assert "labour_rate = 72.0" in ran.out
    shop, process = ran.out.split("\n\n")
    assert shop.splitlines()[0] == f"The shop's settings, kept in the ledger at {pretend_ledger.url}:"
    assert "labour_rate = 72.0" in shop
    assert process.splitlines()[0] == (
        "What this command would use, by its flags and environment. A service that runs was started with its own:"
    )
    assert "BAYLEDGER_PORT = " in process
    assert pretend_ledger.asked[0][2]["Authorization"] == "Bearer t"
