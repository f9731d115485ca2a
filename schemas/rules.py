"""Rules between the fields of a document, reported together with the faults of its fields."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from marshmallow import ValidationError, validates_schema

from schemas.document import DocumentSchema
from schemas.faults import SCHEMA


class Broken(NamedTuple):
    """A rule that is not kept: the place, from this document on, and `code: what mends it`."""

    path: tuple[str | int, ...]
    message: str


class RuledSchema(DocumentSchema):
    """An object whose fields depend on each other."""

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterable[Broken]:
        """Return every rule that is not kept.

        Args:
            loaded: the fields that could be loaded; one with a fault of its own is not there.
            sent: the whole object as sent. Ask it whether a field is there, so that a faulty one is not also missing.
        """
        raise NotImplementedError

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def _keep_rules(self, loaded: Mapping[str, Any], sent: object, **_: object) -> None:
        if not isinstance(sent, Mapping):
            return
        messages: dict[str | int, Any] = {}
        for broken in self.rules(loaded, sent):
            _put(messages, broken)
        if messages:
            raise ValidationError(messages)


def _put(messages: dict[str | int, Any], broken: Broken) -> None:
    for key in broken.path:
        messages = messages.setdefault(key, {})
    messages.setdefault(SCHEMA, []).append(broken.message)


def one_of(sent: Mapping[str, Any], names: Sequence[str]) -> Iterator[Broken]:
    """Ask for exactly one of these fields; the fault stands at the first that is missing or one too many."""
    there = [name for name in names if name in sent]
    if not there:
        yield Broken((names[0],), f"missing: one of {', '.join(names)} is required")
    for name in there[1:]:
        yield Broken((name,), f"conflicts: send only one of {', '.join(names)}")


def none_of(sent: Mapping[str, Any], names: Iterable[str], because: str) -> Iterator[Broken]:
    """Refuse these fields."""
    return (Broken((name,), f"conflicts: {because}") for name in names if name in sent)


def all_of(sent: Mapping[str, Any], names: Iterable[str], because: str) -> Iterator[Broken]:
    """Ask for these fields."""
    return (Broken((name,), f"missing: {because}") for name in names if name not in sent)


def part(document: object, *path: str) -> object:
    """Return what stands at a path of a document as sent, or None where something else does."""
    for key in path:
        if not isinstance(document, Mapping):
            return None
        document = document.get(key)
    return document
