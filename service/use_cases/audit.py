"""The audit log: a line for whatever is done, and who may read it."""

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from service.domain.record import instant
from service.store import audit
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import Caller, Context
from service.use_cases.paging import Listed, Place, listed


def note(  # noqa: PLR0913 - the columns of one row
    tx: Tx,
    caller: Caller,
    *,
    at: datetime,
    action: str,
    object_kind: str,
    object_id: str | None = None,
    athlete: str | None = None,
    detail: str | None = None,
) -> None:
    """Note what a caller does, in the transaction that does it."""
    audit.note(
        tx,
        organisation=caller.organisation,
        id_=new_id(at),
        at=at,
        actor=caller.actor,
        action=action,
        object_kind=object_kind,
        object_id=object_id,
        athlete=athlete,
        request_id=caller.request_id,
        detail=detail,
    )


def list_audit(
    context: Context, caller: Caller, asked: Mapping[str, Any], *, after: Place | None = None, limit: int
) -> Listed:
    """Return a page of the organisation's audit log, newest first.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        asked: `actor`, `action`, `athlete`, and the days `from_` and `to`, each only where it is to filter.
        after: where the page begins.
        limit: the most rows.
    """
    wanted = audit.Wanted(
        actor=asked.get("actor"),
        action=asked.get("action"),
        athlete=asked.get("athlete"),
        since=_start(caller, asked["from_"]) if "from_" in asked else None,
        until=_start(caller, asked["to"] + timedelta(days=1)) if "to" in asked else None,
    )
    rows = context.database.read(
        lambda tx: audit.list_rows(tx, caller.organisation, wanted, after=after, limit=limit + 1)
    )
    return listed(rows, limit, answer=_answer, place=lambda row: (row.at, row.id))


def _start(caller: Caller, day: date) -> datetime:
    return datetime.combine(day, time(), caller.zone)


def _answer(row: audit.Row) -> dict[str, Any]:
    return {
        "id": row.id,
        "at": instant(row.at),
        "actor": {"id": row.actor, "display_name": row.display_name},
        "action": row.action,
        "object_kind": row.object_kind,
        "object_id": row.object_id,
        "athlete_id": row.athlete,
        "request_id": row.request_id,
        "detail": row.detail,
    }
