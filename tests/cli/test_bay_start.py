"""What a bay's command loads when it starts: a slow computer waits for every library at each file."""

import subprocess
import sys

import pytest

from tests.cli.bays import BayCommand, settings_for

SAYS = (
    "import sys; from service.cli import main; code = main(sys.argv[1:]); print('pint' in sys.modules, code)"
)


@pytest.fixture
def bay(run, tmp_path):
    bay = BayCommand(run, tmp_path / "bay", tmp_path)
    bay.settings(settings_for("http://127.0.0.1:9"))
    return bay


def loads_pint(bay, *words):
    """Whether a fresh program of this bay loads pint; it costs half a second of processor time."""
    command = [sys.executable, "-c", SAYS, "bay", *map(str, words), "--bay-dir", str(bay.folder)]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    return ran.stdout.splitlines()[-1]


CAR = ("--car", "stoat-014", "--parts", "none")


def test_status_and_a_file_in_the_houses_own_units_load_no_library_of_units(bay):
    assert loads_pint(bay, "send", bay.file("a.csv", 1), *CAR) == "False 0"
    assert loads_pint(bay, "status") == "False 1"  # no ledger answers


@pytest.mark.parametrize(("unit", "loaded"), [("lbf.ft", "False 0"), ("kgf.m", "True 0")])
def test_units_the_house_knows_itself_load_none_and_rarer_ones_do(bay, unit, loaded):
    mapping = bay.folder / "mapping.toml"
    mapping.write_text(mapping.read_text().replace('unit = "N.m"', f'unit = "{unit}"'))
    assert loads_pint(bay, "send", bay.file("a.csv", 1), *CAR) == loaded
