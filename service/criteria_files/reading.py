"""A criteria file read from disk: what it says, and where each part of it stands."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple

from schemas.faults import ShapeFault, pointer
from schemas.strict_yaml import Place, read_yaml
from service.domain.errors import Fault

MOST_NAMED = 12
# Nobody mends more at once, and finding out what a name was meant to be takes long where there are many.
MOST_FAULTS = 200


@dataclass(frozen=True)
class CriteriaFile:
    """A file's name, and the line of each of its keys and items."""

    name: str
    lines: Mapping[Place, int]

    def fault(self, place: Place, detail: str) -> Fault:
        """Return a fault at a place; one that is not in the file stands where its parent does."""
        nearest = place
        while nearest and nearest not in self.lines:
            nearest = nearest[:-1]
        return Fault(self.name, self.lines.get(nearest, 1), pointer(place), detail)

    def shape_faults(self, faults: Iterable[ShapeFault]) -> list[Fault]:
        """Return the faults of a schema with their lines."""
        return [self.fault(path, detail or code) for path, code, detail in faults]


class FileRead(NamedTuple):
    """A file, and its value unless it has faults."""

    file: CriteriaFile
    value: Any
    faults: list[Fault]


def read(path: Path) -> FileRead:
    """Return what a file says, or every fault of its YAML."""
    name = str(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        fault = Fault(name, 1, "#", f"the file cannot be read ({error.strerror}); look at its name and rights")
        return FileRead(CriteriaFile(name, {}), None, [fault])
    document, faults = read_yaml(content)
    if document is None:
        faulty = [Fault(name, line, pointer(place), detail) for line, place, detail in faults]
        return FileRead(CriteriaFile(name, {}), None, faulty)
    return FileRead(CriteriaFile(name, document.lines), document.value, [])


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """Say that a name is not known, and which one was probably meant."""
    names = sorted(known)
    near = get_close_matches(name, names, n=1)
    if near:
        return f"there is no {kind} {name!r}; did you mean {near[0]}?"
    listed = ", ".join(names[:MOST_NAMED]) + (", ..." if len(names) > MOST_NAMED else "")
    return f"there is no {kind} {name!r}; there are {listed or 'none'}"


def in_order(faults: Iterable[Fault]) -> list[Fault]:
    """Return each fault once, by file and line."""
    return sorted(set(faults), key=lambda fault: (fault.file, fault.line, fault.path, fault.detail))
