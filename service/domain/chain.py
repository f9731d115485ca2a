"""The chain of an athlete's record: every entry is digested over its salted parts and the entry before it.

An entry has two parts, both canonical JSON: `document`, all that the engine reads, and `private`, what people read
(refs, names, free text). Erasure nulls the private parts, or both and the salt; the digests stay, so the chain still
verifies.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.record import Entry

FORMAT = 1
ERASURE = "erasure"
DEFAULT, FULL = "default", "full"


@dataclass(frozen=True)
class Link:
    """One entry as it is kept. Moments are fixed-width UTC text; digests are `sha256:` and hex.

    `document`, `private` and `salt` are None once erased.
    """

    organisation: str
    athlete: str
    sequence: int
    id: str
    kind: str
    episode: str | None
    occurred_at: str
    occurred_on: date
    recorded_at: str
    actor: str
    format: int
    salt: str | None
    document: str | None
    document_digest: str
    private: str | None
    private_digest: str
    previous_digest: str | None
    digest: str

    @cached_property
    def content(self) -> Mapping[str, Any]:
        """Return the document, empty once it is erased."""
        return _read(self.document)

    @cached_property
    def people(self) -> Mapping[str, Any]:
        """Return the private part, empty once it is erased."""
        return _read(self.private)

    @cached_property
    def entry(self) -> Entry:
        """Return the entry as the engine reads it."""
        return Entry(self.sequence, self.id, self.kind, self.episode, self.occurred_at, self.occurred_on, self.content)


@dataclass(frozen=True, slots=True)
class Head:
    """Where a chain ends: how many entries it has and the digest of the last."""

    entries: int
    digest: str | None


def link(  # noqa: PLR0913 - an entry has these parts
    head: Head,
    *,
    organisation: str,
    athlete: str,
    id_: str,
    kind: str,
    episode: str | None,
    occurred_at: str,
    occurred_on: date,
    recorded_at: str,
    actor: str,
    salt: str,
    document: Mapping[str, Any],
    private: Mapping[str, Any],
) -> Link:
    """Return the entry that comes after the head of a chain."""
    document_text, private_text = canonical(document), canonical(private)
    unsealed = Link(
        organisation=organisation,
        athlete=athlete,
        sequence=head.entries + 1,
        id=id_,
        kind=kind,
        episode=episode,
        occurred_at=occurred_at,
        occurred_on=occurred_on,
        recorded_at=recorded_at,
        actor=actor,
        format=FORMAT,
        salt=salt,
        document=document_text,
        document_digest=digest(salt + document_text),
        private=private_text,
        private_digest=digest(salt + private_text),
        previous_digest=head.digest,
        digest="",
    )
    return replace(unsealed, digest=_digest(unsealed))


def head_of(chain: Sequence[Link]) -> Head:
    """Return where a whole chain ends."""
    return Head(chain[-1].sequence, chain[-1].digest) if chain else Head(0, None)


def broken_at(chain: Sequence[Link], head: Head) -> int | None:
    """Return the first sequence at which a chain does not hold, None where it is intact.

    Args:
        chain: every entry of an athlete in order.
        head: where the chain is known to end; a cut tail is broken after its last entry.
    """
    erased = _erasures(chain)
    previous: str | None = None
    for place, one in enumerate(chain, start=1):
        is_next = one.sequence == place and one.previous_digest == previous
        if not is_next or one.digest != _digest(one) or not _holds(one, erased):
            return place
        previous = one.digest
    return None if head == head_of(chain) else len(chain) + 1


def _erasures(chain: Sequence[Link]) -> dict[str, int]:
    """Return up to which sequence each scope was erased; an erasure that can't be read any more erases nothing."""
    found: dict[str, int] = {}
    for one in chain:
        try:
            scope = one.content.get("scope") if one.kind == ERASURE else None
        except (ValueError, AttributeError, RecursionError):
            continue  # its own digest tells that it was changed
        if scope in (DEFAULT, FULL):
            found[scope] = one.sequence
    return found


def _read(text: str | None) -> Mapping[str, Any]:
    found: Mapping[str, Any] = {} if text is None else json.loads(text)
    return found


def _holds(one: Link, erased: Mapping[str, int]) -> bool:
    """Tell whether the parts of an entry are what was digested, or were erased by an erasure on record."""
    fully, partly = erased.get(FULL, 0), max(erased.values(), default=0)
    if one.document is None:
        return one.private is None and one.sequence < fully
    if one.salt is None or digest(one.salt + one.document) != one.document_digest:
        return False
    if one.private is None:
        return one.sequence < partly
    return digest(one.salt + one.private) == one.private_digest


def _digest(one: Link) -> str:
    return digest(
        canonical(
            {
                "format": one.format,
                "organisation": one.organisation,
                "athlete": one.athlete,
                "sequence": one.sequence,
                "kind": one.kind,
                "id": one.id,
                "episode": one.episode,
                "occurred_at": one.occurred_at,
                "occurred_on": one.occurred_on.isoformat(),
                "recorded_at": one.recorded_at,
                "actor": one.actor,
                "document": one.document_digest,
                "private": one.private_digest,
                "previous": one.previous_digest,
            }
        )
    )
