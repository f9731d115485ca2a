"""marshmallow's messages as a flat list of faults: path, code, detail."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from marshmallow import Schema, ValidationError

SCHEMA = "_schema"


class ShapeFault(NamedTuple):
    """One fault of a document's shape: the keys and positions that lead to it, a closed code, what mends it."""

    path: tuple[str | int, ...]
    code: str
    detail: str


def load(schema: Schema, document: Any) -> tuple[Any, list[ShapeFault]]:
    """Return the loaded document and no fault, or None and every fault of its shape."""
    try:
        return schema.load(document), []
    except ValidationError as error:
        return None, list(_flat(error.messages, ()))


def pointer(path: tuple[str | int, ...]) -> str:
    """Return a path as a JSON pointer (RFC 6901) in fragment form.

    >>> pointer(("measurements", 2, "a/b"))
    '#/measurements/2/a~1b'
    """
    return "#" + "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in path)


def _flat(messages: Any, path: tuple[str | int, ...]) -> Iterator[ShapeFault]:
    if isinstance(messages, dict):
        for key, below in messages.items():
            yield from _flat(below, path if key == SCHEMA else (*path, key))
    elif isinstance(messages, list):
        for message in messages:
            yield from _flat(message, path)
    else:
        code, _, detail = str(messages).partition(": ")
        yield ShapeFault(path, code, detail)
