"""What an entry of a criteria file rests on: publications by name, or practice."""

from collections.abc import Iterator, Mapping
from typing import Any

from marshmallow import fields
from marshmallow.validate import Length

from schemas.document import list_of
from schemas.fields import Choice, slug
from schemas.rules import Broken, RuledSchema

PRACTICE = "practice"
EVIDENCE = ("trial", "cohort", "cross_sectional", "consensus", PRACTICE)


def citations(**settings: Any) -> fields.List[Any]:
    """Return a field for the names of publications, one at least."""
    some = Length(min=1, error="missing: an empty list names no source; leave it out")
    return list_of(slug(), validate=some, **settings)


def support(sent: Mapping[str, Any]) -> Iterator[Broken]:
    """Ask for sources or for `evidence: practice`, and not for both."""
    practice = sent.get("evidence") == PRACTICE
    if practice and sent.get("sources"):
        mend = "what rests on practice names no sources; put publications about it under see, or grade the evidence"
        yield Broken(("sources",), f"conflicts: {mend}")
    if not practice and "sources" not in sent:
        mend = "nothing says what this rests on; name sources, or write evidence: practice"
        yield Broken(("sources",), f"missing: {mend}")


class SupportedSchema(RuledSchema):
    """An entry that names its sources, or says `evidence: practice`."""

    evidence = Choice(EVIDENCE)
    sources = citations()

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Refuse an entry without support."""
        return support(sent)
