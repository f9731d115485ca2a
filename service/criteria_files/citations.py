"""Publications named anywhere in a document."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from schemas.strict_yaml import Place
from service.criteria_files.reading import unknown

SEE = "see"
LISTS = ("sources", SEE)
SINGLE = "source"
MEMORY = "memory"


class Citation(NamedTuple):
    """A publication named at a place; `key` tells a support (sources, source) from a reading tip (see)."""

    place: Place
    key: str
    source: str


def citations(value: Any, place: Place = ()) -> Iterator[Citation]:
    """Give every publication that a document names."""
    if isinstance(value, dict):
        for key, below in value.items():
            if key in LISTS and isinstance(below, list):
                for position, source in enumerate(below):
                    yield Citation((*place, key, position), key, source)
            elif key == SINGLE and isinstance(below, str):
                yield Citation((*place, key), key, below)
            else:
                yield from citations(below, (*place, key))
    elif isinstance(value, list):
        for position, below in enumerate(value):
            yield from citations(below, (*place, position))


def citation_faults(value: Any, sources: Mapping[str, Any]) -> Iterator[tuple[Place, str]]:
    """Give the places that name no publication of the catalogue, or rest on one that is only remembered."""
    for place, key, source in citations(value):
        if source not in sources:
            yield place, f"{unknown('source', source, sources)} (add it to catalogue/sources.yaml if it is new)"
        elif key != SEE and sources[source]["status"] == MEMORY:
            yield place, f"{source} is from memory and supports nothing; put it under see, or write evidence: practice"
