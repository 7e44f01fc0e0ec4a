"""bootstrap.py's decisions, without making an environment; test_bootstrap_machine.py makes real ones."""

import ast
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import bootstrap
from tests.setup.check import ROOT


def nothing(_name: str) -> None:
    return None


def only(*names: str) -> Callable[[str], str | None]:
    return lambda name: f"/usr/bin/{name}" if name in names else None


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty checkout with three locks, which bootstrap takes for its own."""
    for name in bootstrap.LOCKS["dev"]:
        (tmp_path / name).write_text(f"{name}==1\n")
    binaries = tmp_path / ".venv" / "bin"
    binaries.mkdir(parents=True)
    (binaries / "python").touch()
    monkeypatch.setattr(bootstrap, "ROOT", str(tmp_path))
    monkeypatch.setattr(bootstrap, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(bootstrap, "PYTHON", str(binaries / "python"))
    monkeypatch.setattr(bootstrap, "STAMP", str(tmp_path / ".venv" / "bayledger.stamp"))
    return tmp_path


def stamp(kind: str) -> None:
    Path(bootstrap.STAMP).write_text(bootstrap.stamp_line(kind) + "\n")


def test_an_old_python_can_read_it_far_enough_to_be_told() -> None:
    ast.parse((ROOT / "bootstrap.py").read_text(), feature_version=(3, 6))


def test_nothing_but_the_standard_library_is_imported() -> None:
    tree = ast.parse((ROOT / "bootstrap.py").read_text())
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert names
    assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names


def test_python_3_11_is_enough() -> None:
    bootstrap.require_python((3, 11, 0), nothing)


def test_an_older_python_is_refused_with_the_line_to_type(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "is_root", lambda: False)
    with pytest.raises(bootstrap.SetupError, match=r"this is 3\.9") as refusal:
        bootstrap.require_python((3, 9, 2), only("apt-get"))
    assert "sudo apt-get install -y python3.11 python3.11-venv" in str(refusal.value)


def test_a_newer_python_on_the_path_is_named_with_the_word_that_was_typed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bootstrap, "answers", lambda name: name != "python3.14")
    monkeypatch.setattr(sys, "argv", ["bootstrap.py", "run", "--port", "9000"])
    with pytest.raises(bootstrap.SetupError) as refusal:
        bootstrap.require_python((3, 10, 4), only("python3.12", "python3.13", "python3.14"))
    assert str(refusal.value).endswith("python3.13 bootstrap.py run --port 9000")


def test_a_name_that_does_not_start_is_not_a_python(tmp_path: Path) -> None:
    broken = tmp_path / "python3.99"
    broken.write_text("#!/bin/sh\nexit 127\n")
    broken.chmod(0o755)
    assert not bootstrap.answers(str(broken))
    assert not bootstrap.answers(str(tmp_path / "absent"))
    assert bootstrap.answers(sys.executable)


@pytest.mark.parametrize(
    ("manager", "line"),
    [
        ("apt-get", "apt-get update && apt-get install -y python3.12-venv"),
        ("dnf", "dnf install -y python3-pip"),
        ("brew", "brew install python@3.13"),
        ("none", "install the venv module and pip with this system's package manager"),
    ],
)
def test_the_missing_venv_is_named_in_the_systems_own_words(
    manager: str, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap, "is_root", lambda: True)
    monkeypatch.setattr(sys, "platform", "linux")
    assert bootstrap.package_hint("venv", only(manager), (3, 12, 1)) == line


def test_venv_with_its_own_pip_is_the_first_choice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "pip_can_reach_out", lambda: True)
    found = bootstrap.installers(only("venv", "ensurepip", "pip"), only("uv"))
    assert found == ["venv", "venv, outside pip", "uv"]


def test_without_ensurepip_the_pip_beside_python_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "pip_can_reach_out", lambda: True)
    assert bootstrap.installers(only("venv", "pip"), nothing) == ["venv, outside pip"]


def test_a_pip_too_old_to_reach_out_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "pip_can_reach_out", lambda: False)
    assert bootstrap.installers(only("venv", "pip"), only("uv")) == ["uv"]


def test_with_no_way_in_the_package_to_install_is_named_and_nothing_is_left(checkout: Path) -> None:
    with pytest.raises(bootstrap.SetupError, match="run the same line again"):
        bootstrap.make_venv([])
    assert not (checkout / ".venv").exists()


@pytest.mark.parametrize("way", ["venv", "venv, outside pip", "uv"])
@pytest.mark.parametrize("kind", ["run", "dev"])
def test_every_way_in_demands_hashes_and_wheels(way: str, kind: str) -> None:
    first, second = (command for command, _ in bootstrap.install_commands(way, kind))
    for command in (first, second):
        assert "--require-hashes" in command
        assert command[command.index("--only-binary") + 1] == ":all:"
    assert first[-1] == "requirements-build.lock"
    assert second[second.index("--no-binary") + 1] == "psychrolib"
    assert second[-1] == {"run": "requirements.lock", "dev": "requirements-dev.lock"}[kind]


def test_a_stamp_that_fits_the_locks_means_up_to_date(checkout: Path) -> None:
    assert not bootstrap.up_to_date("run")
    stamp("run")
    assert bootstrap.up_to_date("run")
    assert not bootstrap.up_to_date("dev")


def test_a_changed_lock_makes_the_stamp_stale(checkout: Path) -> None:
    stamp("run")
    (checkout / "requirements.lock").write_text("requirements.lock==2\n")
    assert not bootstrap.up_to_date("run")


def test_a_change_in_the_tests_lock_leaves_what_runs_alone(checkout: Path) -> None:
    stamp("run")
    (checkout / "requirements-dev.lock").write_text("more==2\n")
    assert bootstrap.up_to_date("run")


def test_a_stamp_from_another_folder_does_not_fit(checkout: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stamp("run")
    monkeypatch.setattr(bootstrap, "ROOT", str(checkout / "moved"))
    (checkout / "moved").mkdir()
    for name in bootstrap.LOCKS["dev"]:
        (checkout / "moved" / name).write_text((checkout / name).read_text())
    assert not bootstrap.up_to_date("run")


def test_another_version_of_python_makes_the_environment_stale(
    checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A system's upgrade brings one: the packages lie where the old one looked for them."""
    stamp("run")
    newer = (sys.version_info[0], sys.version_info[1] + 1, 0)
    monkeypatch.setattr(sys, "version_info", newer)
    assert not bootstrap.up_to_date("run")


def test_a_python_that_went_away_makes_the_environment_stale(checkout: Path) -> None:
    stamp("run")
    (checkout / ".venv" / "bin" / "python").unlink()
    assert not bootstrap.up_to_date("run")


def test_an_install_that_fails_leaves_no_stamp_and_shows_the_end_of_what_was_said(
    checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamp("run")
    (checkout / "requirements.lock").write_text("requirements.lock==2\n")
    said = "import sys; print('hash mismatch'); sys.exit(1)"
    monkeypatch.setattr(bootstrap, "make_venv", lambda ways: "venv")
    monkeypatch.setattr(
        bootstrap, "install_commands", lambda way, kind: [([sys.executable, "-c", said], "requirements.lock")]
    )
    monkeypatch.setattr(bootstrap, "LOG", str(checkout / ".venv" / "install.log"))
    with pytest.raises(bootstrap.SetupError, match="hash mismatch"):
        bootstrap.ensure("run")
    assert not Path(bootstrap.STAMP).exists()
    assert "hash mismatch" in (checkout / ".venv" / "install.log").read_text()


def test_an_up_to_date_environment_costs_less_than_half_a_second(checkout: Path) -> None:
    stamp("dev")
    code = (
        "import sys, bootstrap as b; root = sys.argv[1]\n"
        "b.ROOT, b.VENV, b.PYTHON, b.STAMP = root, root + '/.venv', root + '/.venv/bin/python', "
        "root + '/.venv/bayledger.stamp'\n"
        "b.install = lambda kind: sys.exit('installed again')\n"
        "b.ensure('dev')\n"
    )
    command = [sys.executable, "-c", code, str(checkout)]
    assert min(seconds_of(command, ROOT) for _ in range(3)) < 0.5


def seconds_of(command: list[str], folder: Path) -> float:
    """The processor time that a program takes: others on the machine take none of it."""
    begun = os.times()
    subprocess.run(command, check=True, cwd=folder)
    ended = os.times()
    return ended.children_user + ended.children_system - begun.children_user - begun.children_system


def test_the_launcher_works_from_a_folder_with_spaces(tmp_path: Path) -> None:
    folder = tmp_path / "with some spaces"
    (folder / "service" / "cli").mkdir(parents=True)
    (folder / "service" / "__init__.py").touch()
    (folder / "service" / "cli" / "__init__.py").write_text(
        "import sys\n\ndef main():\n    print(sys.argv[1:])\n    return 7\n"
    )
    (folder / "python").symlink_to(sys.executable)
    launcher = folder / "bayledger"
    launcher.write_text(bootstrap.launcher_text(str(folder / "python")))
    launcher.chmod(0o755)
    environment = dict(os.environ, PYTHONPATH=str(folder))
    ran = subprocess.run([launcher, "a b", "c"], env=environment, capture_output=True, text=True)
    assert (ran.returncode, ran.stdout) == (7, "['a b', 'c']\n")


def test_run_starts_the_demo_and_hands_the_rest_on(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[list[str]] = []
    monkeypatch.setenv("BAYLEDGER_DATA_DIR", "so that it is put back afterwards")
    monkeypatch.delenv("BAYLEDGER_DATA_DIR")
    monkeypatch.setattr(bootstrap, "ensure", lambda kind: None)
    monkeypatch.setattr(os, "execv", lambda path, command: started.append(command[1:]))
    bootstrap.run(["--port", "9000"])
    bootstrap.run(["--no-demo", "--data-dir", "/srv/ledger"])
    assert started == [["demo", "--port", "9000"], ["serve", "--data-dir", "/srv/ledger"]]
    assert os.environ["BAYLEDGER_DATA_DIR"] == str(ROOT / ".bayledger")


def test_a_data_folder_named_in_the_environment_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BAYLEDGER_DATA_DIR", "/srv/ledger")
    monkeypatch.setattr(bootstrap, "ensure", lambda kind: None)
    monkeypatch.setattr(os, "execv", lambda path, command: None)
    bootstrap.run([])
    assert os.environ["BAYLEDGER_DATA_DIR"] == "/srv/ledger"


@pytest.fixture
def in_venv(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """What would be run in the environment, instead of running it."""
    ran: list[list[str]] = []
    monkeypatch.setattr("os.cpu_count", lambda: 2)

    def note(arguments: list[str]) -> int:
        ran.append(arguments)
        return 0

    monkeypatch.setattr(bootstrap, "ensure", lambda kind: None)
    monkeypatch.setattr(bootstrap, "in_venv", note)
    monkeypatch.setattr(bootstrap, "become", note)
    return ran


def test_test_leaves_out_what_needs_root_and_looks_for_the_browser_first(in_venv: list[list[str]]) -> None:
    bootstrap.test([])
    assert in_venv == [
        ["-m", "tests.setup.browser"],
        ["-m", "pytest", "-m", "not machine and not slow", "-n", "3", *bootstrap.SPREAD],
    ]


def test_test_machine_runs_only_what_needs_root(in_venv: list[list[str]]) -> None:
    bootstrap.test(["--machine", "-x"])
    assert in_venv[-1] == ["-m", "pytest", "-m", "machine", "-n", "2", *bootstrap.SPREAD, "-x"]


def test_test_slow_runs_what_takes_long_on_all_cores(in_venv: list[list[str]]) -> None:
    bootstrap.test(["--slow"])
    assert in_venv[-1] == ["-m", "pytest", "-m", "slow and not machine", "-n", "3", *bootstrap.SPREAD]


def test_no_more_than_four_share_a_run_however_many_cores_there_are(
    in_venv: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 64)
    bootstrap.test(["--machine"])
    assert in_venv[-1][4:6] == ["-n", "4"]


def test_a_named_file_of_slow_tests_runs_as_it_is(in_venv: list[list[str]]) -> None:
    bootstrap.test(["tests/dashboard"])
    assert in_venv == [["-m", "pytest", "-m", "not machine", "tests/dashboard"]]


def test_a_named_file_runs_without_a_browser(in_venv: list[list[str]]) -> None:
    bootstrap.test(["tests/setup/test_bootstrap.py::test_python_3_11_is_enough", "-x"])
    assert [command[1] for command in in_venv] == ["pytest"]


def test_without_a_browser_the_tests_do_not_start(
    in_venv: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap, "in_venv", lambda arguments: 1)
    assert bootstrap.test([]) == 1
    assert in_venv == []


def test_a_word_becomes_its_command_so_that_a_signal_reaches_it(
    checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    became: list[tuple[str, list[str], str]] = []
    monkeypatch.chdir("/")
    monkeypatch.setattr(os, "execv", lambda path, command: became.append((path, command, os.getcwd())))
    stamp("dev")
    bootstrap.bench(["--rounds", "3"])
    python = bootstrap.PYTHON
    assert became == [(python, [python, "-m", "tests.bench", "--rounds", "3"], str(checkout))]


def test_an_unknown_word_is_answered_with_the_words_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert bootstrap.main(["tset"]) == 2
    assert "run, test, check" in capsys.readouterr().out


def test_help_shows_every_word_with_a_line_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    assert bootstrap.main([]) == 0
    shown = capsys.readouterr().out
    for word, action in bootstrap.WORDS.items():
        assert f"  {word:<12}{action.__doc__}" in shown


def test_make_has_the_same_words() -> None:
    line = next(each for each in (ROOT / "Makefile").read_text().splitlines() if each.startswith("WORDS :="))
    assert set(line.split()[2:]) | {"help"} == set(bootstrap.WORDS)


def test_every_word_has_something_behind_it() -> None:
    for module in (
        "tests/bench/__main__.py", "tests/references/__main__.py", "tests/setup/check.py", "dashboard/build.py",
        "service/cli", "tests/soak/__main__.py", "tests/fuzz/__main__.py",
    ):  # fmt: skip
        assert (ROOT / module).exists(), module
