"""A bay's computer: its folder with settings and mapping, the machine's export folder, and the program itself."""

import os
import random
import signal
from multiprocessing.process import BaseProcess
from pathlib import Path

from tests.live import clean_environment
from tests.processes import at_once, run_command

RPM = [2000 + 150 * i for i in range(30)]
MAPPING = """
[file]
encoding = "utf-8"
separator = ";"
decimal = ","
names_line = 1
first_row = 2
rows = "rpm"
pulls = "one"
[columns.rpm]
name = "Engine speed (rpm)"
unit = "rpm"
[columns.torque]
name = "Torque (Nm)"
unit = "N.m"
[pull]
basis = "observed"
source = "file"
"""


class Computer:
    """One bay's computer, on which the program can be run and killed."""

    def __init__(self, folder: Path, bay: str, url: str, token: str, **more: str) -> None:
        self.bay_dir, self.export = folder / "bay", folder / "export"
        for one in (self.bay_dir, self.export):
            one.mkdir(parents=True)
        settings = {"url": url, "bay": bay, "token": token, "units": "si", "mapping": "mapping.toml", **more}
        text = "".join(f'{name} = "{value}"\n' for name, value in settings.items())
        (self.bay_dir / "bay.toml").write_text(text)
        (self.bay_dir / "mapping.toml").write_text(MAPPING)
        self.log = folder / "said.log"
        self.log.touch()

    def starts(self, *words: str) -> BaseProcess:
        """Start `bayledger bay ...`."""
        told = ["bay", *words, "--bay-dir", str(self.bay_dir)]
        process = at_once().Process(target=run_command, args=(told, self.log, clean_environment()))
        process.start()
        return process

    def runs(self, *words: str) -> int:
        """Run `bayledger bay ...` to its end; answers its exit code."""
        process = self.starts(*words)
        process.join(timeout=60)
        assert process.exitcode is not None, "it does not end"
        return process.exitcode

    def waiting(self) -> list[str]:
        """The sessions in the spool that wait."""
        folder = self.bay_dir / "spool" / "waiting"
        return [name for name in os.listdir(folder) if not name.startswith(".")] if folder.exists() else []

    @property
    def said(self) -> str:
        """All that it said up to now."""
        return self.log.read_text()

    def machine_writes(self, name: str, rng: random.Random, sidecar: str | None = None) -> Path:
        """A pull, written as one; with a sidecar, which is there first."""
        if sidecar is not None:
            (self.export / f"{name}.toml").write_text(sidecar)
        aside = self.export / f".{name}"
        aside.write_text(table(rng))
        return aside.replace(self.export / name)


def table(rng: random.Random) -> str:
    """A curve unlike any other, as a machine in Europe writes it."""
    height, place, width = rng.uniform(180, 320), rng.uniform(3500, 5000), rng.uniform(5000, 9000)
    torque = [height * (1 - ((rpm - place) / width) ** 2) + rng.gauss(0, 0.5) for rpm in RPM]
    lines = [f"{rpm};{nm:.2f}".replace(".", ",") for rpm, nm in zip(RPM, torque, strict=True)]
    return "\n".join(["Engine speed (rpm);Torque (Nm)", *lines, ""])


def kill(process: BaseProcess) -> None:
    """Kill -9."""
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
