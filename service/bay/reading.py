"""Files read by the bay's mapping, as the desk takes them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from service.bay.handed import CannotTake, Reader, ReadPull, ReadTable
from service.bay.known import Said
from service.tables import mapping as mappings
from service.tables.pulls import read_file
from service.tables.records import FACT_FIELDS, Facts, FilePull, Mapping, PullWords

FROM_HEADER = {name: field for name, field in FACT_FIELDS.items() if name != "factor"}
"""Our keys, and the facts of a file's header they come from; both in SI."""


def reader_by(path: Path | None, clock_ahead_s: float = 0.0) -> Reader:
    """Reads files by the mapping that lies there; read anew for each file, so that a mended one counts at once.

    `clock_ahead_s`: how far the machine's clock is ahead of this computer's, taken off the times in its files [s].
    """

    def read(raw: bytes, pressure_kpa: float | None) -> ReadTable:
        mapping = mapping_in(path)
        table = read_file(raw, mapping, pressure_kpa)
        said = words_said(mapping.pull)
        pulls = [read_pull(one, said, mapping.pull, clock_ahead_s) for one in table.pulls]
        return ReadTable(
            pulls, [f"line {fault.line}: {fault.why}" if fault.line else fault.why for fault in table.faults]
        )

    return read


def fingerprint_of(path: Path | None) -> str:
    """Tells one mapping from another: by its content. The same for one that is not there as for none."""
    try:
        return "" if path is None else hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def mapping_in(path: Path | None) -> Mapping:
    """The mapping of a bay. Raises CannotTake where there is none, or one with mistakes."""
    if path is None:
        raise CannotTake(
            "which column is what is not known: make a mapping from one file with `bayledger bay learn FILE --out "
            "mapping.toml` and name it in bay.toml (mapping)"
        )
    try:
        return mappings.read(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise CannotTake(
            f"the mapping {path} cannot be read ({error.strerror}); `bayledger bay learn FILE --out` makes one"
        ) from error
    except ValueError as error:
        raise CannotTake(f"{path}: {error}") from error


def read_pull(pull: FilePull, said: Said, words: PullWords, clock_ahead_s: float = 0.0) -> ReadPull:
    """One pull of a file with what its header and the mapping say."""
    channels = {name: [float(value) for value in values] for name, values in pull.channels.items()}
    by_file = inlet_along(channels) | header_said(pull.facts, clock_ahead_s)
    return ReadPull(channels, said | by_file | basis_said(words, pull.facts.factor))


def inlet_along(channels: MappingOf[str, Sequence[float]]) -> Said:
    """Inlet air at the start and the end of a pull, where the file has a column of it: the start is its first row, the
    end the row of the highest engine speed, as a coast-down may follow."""
    inlet, rpm = channels.get("inlet"), channels["rpm"]
    return {} if not inlet else {"inlet": inlet[0], "inlet_end": inlet[rpm.index(max(rpm))]}


def header_said(facts: Facts, clock_ahead_s: float = 0.0) -> Said:
    """What a file's header says. Its time has no offset: it is of this computer's zone, and of the machine's clock."""
    said: Said = {
        name: value for name, field in FROM_HEADER.items() if (value := getattr(facts, field)) is not None
    }
    if facts.started_at is not None:
        said["started_at"] = (with_offset(facts.started_at) - timedelta(seconds=clock_ahead_s)).isoformat()
    return said


def with_offset(at: datetime) -> datetime:
    """A time with its offset from UTC."""
    return at if at.tzinfo else at.astimezone()


def words_said(words: PullWords) -> Said:
    """What the mapping says of every such file."""
    said: Said = {} if words.test is None else {"test": words.test}
    if words.smoothing is not None:
        said["smoothing"] = words.smoothing.method
        if words.smoothing.width_rpm is not None:
            said["smoothing_width"] = words.smoothing.width_rpm
    return said


def basis_said(words: PullWords, factor: float | None) -> Said:
    """What the figures are: as the mapping has it, with the factor the file itself names."""
    if words.basis is None:
        return {}
    if words.basis.standard is None:
        return {"basis": "observed"}
    known = words.basis.factor if factor is None else factor
    return {"basis": {"standard": words.basis.standard} | ({} if known is None else {"factor": known})}
