"""What every change of an organisation's criteria shares: the key of its request, its audit row, its day."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from service.criteria_files import released
from service.domain.battery import canonical_value
from service.domain.canonical import canonical, digest
from service.domain.errors import ConflictError, FieldError
from service.store import audit, idempotency
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named

RESERVED_ID, CONFLICTS = "reserved_id", "conflicts"
VERSION, DRAFT = "criteria_version", "criteria_draft"

# Sets, versions and drafts are known by their names; an Idempotency-Key is kept with a UUID.
_NAMES = uuid.UUID("6d1f5a0e-3b1c-5f57-9d0e-1f1a5f0c7a11")


@dataclass(frozen=True, slots=True)
class Change:
    """One change of an organisation's criteria inside its transaction."""

    tx: Tx
    caller: Caller
    now: datetime

    @property
    def organisation(self) -> str:
        """Return whose criteria are changed."""
        return self.caller.organisation

    @property
    def today(self) -> date:
        """Return today in the organisation's zone."""
        return today(self.now, self.caller)

    def first(self, key: str | None, route: str, body: Mapping[str, Any], object_id: str) -> str | None:
        """Keep the request's key; None, or the id of what the first request with this key made.

        Raises:
            KeyReusedError: the key was used for something else.
        """
        if key is None:
            return None
        sent = digest(canonical(canonical_value(body)))
        claim = idempotency.Claim(self.organisation, self.caller.actor, key, route, sent)
        return idempotency.claim(self.tx, claim, object_id, self.now)

    def note(self, action: str, kind: str, name: str, detail: str | None = None) -> None:
        """Add a row to the audit log."""
        audit.note(
            self.tx,
            organisation=self.organisation,
            id_=new_id(self.now),
            at=self.now,
            actor=self.caller.actor,
            action=action,
            object_kind=kind,
            object_id=name,
            request_id=self.caller.request_id,
            detail=detail,
        )


def change(tx: Tx, context: Context, caller: Caller) -> Change:
    """Return a change of the caller's organisation's criteria, made now."""
    return Change(tx, caller, context.clock())


def today(now: datetime, caller: Caller) -> date:
    """Return the day of a moment in the organisation's zone."""
    return now.astimezone(caller.zone).date()


def object_id(caller: Caller, kind: str, name: Named) -> str:
    """Return the id under which a version or a draft goes with an Idempotency-Key."""
    return str(uuid.uuid5(_NAMES, f"{caller.organisation}/{kind}/{name}"))


def refuse_reserved(set_id: str, shipped: Path) -> None:
    """Refuse an id that a shipped set has: its numbers belong to the versions that ship.

    Raises:
        ConflictError: reserved_id.
    """
    if set_id in {one.set_id for one in released(shipped)}:
        detail = f"{set_id} is the id of a set that ships with the service; give your own set another id"
        raise ConflictError(RESERVED_ID, detail, errors=[FieldError("#/id", RESERVED_ID, detail)])
