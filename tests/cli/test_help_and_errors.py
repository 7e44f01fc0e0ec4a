"""Help that teaches, exit codes, and errors of one line."""

import re
import shlex
import subprocess
import sys
from dataclasses import fields

import click
import pytest

from seed.parts import CLEAN_PAIRS, PART, SWAPS
from seed.shop import BAY, PLATFORM
from service.cli import COMMANDS, group
from service.cli.ask import command as ask
from service.settings import Settings, variable
from tests.cli.conftest import REPOSITORY


def group_help(words: list[str]) -> str:
    """The help of a command, as click formats it."""
    context, command = click.Context(group, info_name="bayledger", max_content_width=200), group
    for word in words:
        command = command.get_command(context, word)
        context = click.Context(command, context, info_name=word)
    return command.get_help(context)


def all_commands():
    """Every command with its words, groups opened."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from ((f"{name} {inner}", one) for inner, one in command.commands.items())
        else:
            yield name, command


@pytest.mark.parametrize("name", COMMANDS)
def test_help_shows_an_example_of_each_command(run, name):
    ran = run(name, "--help")
    assert ran.code == 0
    assert f"bayledger {name}" in ran.out.split("Usage:", 1)[1].split("\n", 1)[1]


EXAMPLES = [
    " ".join(line.split())
    for words in [[], *([name] for name in COMMANDS), ["token", "create"]]
    for line in group_help(words).splitlines()
    if "bayledger ask --" in line or "bayledger token create --" in line
]


@pytest.mark.parametrize("example", [line for line in EXAMPLES if "bayledger ask --" in line])
def test_every_question_in_the_help_can_be_asked_in_the_demo(example):
    words = shlex.split(example.split("bayledger ask", 1)[1].split(">")[0])
    asked = ask.make_context("ask", words).params
    assert asked["platform"] in PLATFORM
    assert asked["part"] in PART
    if asked["against"]:
        assert (asked["against"], asked["part"]) in SWAPS[asked["platform"]]
    else:
        assert CLEAN_PAIRS[asked["platform"]][asked["part"]] >= 1


def test_every_bay_in_the_help_is_one_of_the_demo():
    named = {match[1] for line in EXAMPLES for match in re.finditer(r"--bay ([a-z-]+)", line)}
    assert named
    assert named <= set(BAY)


@pytest.mark.parametrize(("words", "command"), list(all_commands()))
def test_every_flag_names_its_variable_in_the_help(run, words, command):
    shown = " ".join(run(*words.split(), "--help").out.split())
    flags = [
        one
        for one in command.params
        if isinstance(one, click.Option) and not one.hidden and one.name != "help"
    ]
    assert flags
    known = {one.name for one in fields(Settings)}
    for flag in flags:
        own = f"BAYLEDGER_{words.upper().replace(' ', '_')}_{flag.name.upper()}"
        assert (variable(flag.name) if flag.name in known else own) in shown


def test_a_flag_can_be_given_as_a_variable(run, pretend_ledger, monkeypatch):
    monkeypatch.setenv("BAYLEDGER_ASK_PART", "x")
    monkeypatch.setenv("BAYLEDGER_ASK_PLATFORM", "y")
    monkeypatch.setenv("BAYLEDGER_URL", pretend_ledger.url)
    pretend_ledger.document = {}
    run("ask", "--json")
    assert "part=x" in pretend_ledger.asked[0][1]
    assert "platform=y" in pretend_ledger.asked[0][1]


@pytest.mark.parametrize(
    "arguments",
    [
        ["nosuch"],
        ["serve", "--port", "x"],
        ["token", "create"],
        ["ask"],
        ["post"],
        ["migrate", "--nosuch"],
        [],
    ],
)
def test_wrong_use_is_exit_code_2(run, arguments):
    ran = run(*arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert "bayledger" in ran.err


def test_no_ledger_at_the_address_is_one_line_with_the_way_out(run):
    ran = run("ask", "--part", "x", "--platform", "y", "--url", "http://127.0.0.1:1")
    assert ran.code == 1
    assert ran.out == ""
    assert len(ran.err.splitlines()) == 1
    assert "bayledger serve" in ran.err


def test_an_address_that_is_none_is_one_line(run):
    ran = run("ask", "--part", "x", "--platform", "y", "--url", "ledger")
    assert ran.code == 1
    assert "--url http://HOST:PORT" in ran.err
    assert len(ran.err.splitlines()) == 1


def test_an_unexpected_fault_is_one_line_without_a_traceback(run, monkeypatch):
    def break_down(*_: object) -> None:
        raise ZeroDivisionError("divided\nby nought")

    monkeypatch.setattr("service.cli.settings.setting_lines", break_down)
    ran = run("settings")
    assert ran.code == 1
    assert ran.err == "bayledger: ZeroDivisionError: divided (BAYLEDGER_LOG_LEVEL=debug shows where)\n"


def test_the_module_is_the_command_too():
    ran = subprocess.run(
        [sys.executable, "-m", "service", "--version"],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0
    assert "bayledger" in ran.stdout


def test_a_token_command_loads_no_web_server_and_no_numbers():
    watch = "import sys; from service.cli import main; main(['token', '--help']); "
    watch += "print(sorted({'flask', 'gunicorn', 'numpy', 'alembic', 'httpx'} & set(sys.modules)))"
    ran = subprocess.run(
        [sys.executable, "-c", watch], cwd=REPOSITORY, capture_output=True, text=True, check=False
    )
    assert ran.stdout.splitlines()[-1] == "[]"
