"""An import rule that is a list of what a room may use: all else is a breach, also a package added tomorrow.

Used by .importlinter as contract type `room`. Only direct imports count: what a room's neighbour uses is the
neighbour's own affair. The standard library is free, except for the modules listed as `never`.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, fields, output


@dataclass(frozen=True)
class Breach:
    """One import that the room's rule does not allow."""

    importer: str
    imported: str
    line: int
    text: str


class RoomContract(Contract):
    """A room imports from `ours` (rooms of the house) and `others` (packages), never from `never`."""

    room = fields.StringField()
    ours = fields.SetField(subfield=fields.StringField(), required=False, default=set())
    others = fields.SetField(subfield=fields.StringField(), required=False, default=set())
    never = fields.SetField(subfield=fields.StringField(), required=False, default=set())

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:
        """Compare every direct import of the room with its lists; a room not built yet breaks nothing."""
        breaches = list(self.breaches(graph))
        return ContractCheck(kept=not breaches, metadata={"breaches": breaches})

    def breaches(self, graph: ImportGraph) -> Iterator[Breach]:
        """Each import of the room that its lists do not allow."""
        for importer in sorted(name for name in graph.modules if inside(name, self.room)):
            for imported in sorted(graph.find_modules_directly_imported_by(importer)):
                if not self.allows(imported):
                    yield breach(graph, importer, imported)

    def allows(self, imported: str) -> bool:
        """Whether the room may import that module."""
        if any(inside(imported, name) for name in self.never):
            return False
        top = imported.split(".")[0]
        if top in sys.stdlib_module_names or top in self.others:
            return True
        return any(inside(imported, name) for name in {self.room, *self.ours})

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Name each import, with its line, in words."""
        for found in check.metadata["breaches"]:
            output.print_error(
                f"{found.importer} (line {found.line}) imports {found.imported}: {found.text}", bold=False
            )
        output.new_line()


def inside(module: str, package: str) -> bool:
    """Whether a module is that package or lies in it."""
    return module == package or module.startswith(f"{package}.")


def breach(graph: ImportGraph, importer: str, imported: str) -> Breach:
    """The first line on which that import stands."""
    details = graph.get_import_details(importer=importer, imported=imported)
    first = details[0] if details else {"line_number": 0, "line_contents": ""}
    return Breach(importer, imported, first["line_number"], first["line_contents"].strip())
