"""Deliveries: what was sent, what waits and what is dead; sent again by hand."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from schemas.webhooks import ON
from service.domain.errors import ConflictError, NotFoundError
from service.domain.record import instant
from service.store import deliveries as store
from service.store import webhooks
from service.store.database import Tx
from service.store.outbox import WAITING
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context
from service.use_cases.paging import Listed, Place, listed

CONFLICTS = "conflicts"

_WHAT = "delivery"


def list_deliveries(
    context: Context, caller: Caller, asked: Mapping[str, Any], *, after: Place | None = None, limit: int
) -> Listed:
    """Return a page of the organisation's deliveries, newest first.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        asked: `state`, `webhook`, `channel` and `type`, each only where it is to filter.
        after: where the page begins.
        limit: the most deliveries.
    """
    wanted = store.Wanted(**{name: asked.get(name) for name in ("state", "webhook", "channel", "type")})
    rows = context.database.read(
        lambda tx: store.list_deliveries(tx, caller.organisation, wanted, after=after, limit=limit + 1)
    )
    return listed(rows, limit, answer=delivery_answer, place=lambda row: (row["created_at"], row["id"]))


def show_delivery(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a delivery with the body of its message.

    Raises:
        NotFoundError: the organisation has no such delivery.
    """
    return _whole(context.database.read(lambda tx: _known(tx, caller, id_)))


def replay_delivery(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Send a settled delivery again, with the id that its message has; one that waits stays as it is.

    Raises:
        NotFoundError: the organisation has no such delivery.
        ConflictError: its webhook is off, or was removed.
    """

    def work(tx: Tx) -> dict[str, Any]:
        now = context.clock()
        _refuse_nowhere(tx, caller, _known(tx, caller, id_)["webhook_id"])
        if store.send_again(tx, caller.organisation, id_, now):
            note(tx, caller, at=now, action="replay_delivery", object_kind=_WHAT, object_id=id_)
        return _whole(_known(tx, caller, id_))

    return context.database.write(work)


def delivery_answer(row: store.Row) -> dict[str, Any]:
    """Return a delivery as it is answered."""
    is_mail = row["actor_id"] is not None
    return {
        "id": row["id"],
        "message_id": row["message_id"],
        "type": row["type"],
        "channel": row["channel"],
        "webhook_id": row["webhook_id"],
        "actor": {"id": row["actor_id"], "display_name": row["display_name"]} if is_mail else None,
        "state": row["state"],
        "attempts": row["attempts"],
        "attempted_at": _instant(row["attempted_at"]),
        "next_at": _instant(row["next_at"]) if row["state"] == WAITING else None,
        "status": row["status"],
        "error": row["error"],
        "created_at": instant(row["created_at"]),
        "settled_at": _instant(row["settled_at"]),
    }


def _refuse_nowhere(tx: Tx, caller: Caller, webhook: str | None) -> None:
    """Refuse to send to a webhook that is sent nothing."""
    if webhook is None:
        return
    found = webhooks.webhook(tx, caller.organisation, webhook, is_locked=True)
    if found is None:
        message = "the webhook was removed, so that nothing is sent to it; make a new one"
        raise ConflictError(CONFLICTS, message)
    if found.state != ON:
        message = "the webhook is off, and is sent nothing; turn it on first"
        raise ConflictError(CONFLICTS, message, link=f"/v1/webhooks/{webhook}")


def _known(tx: Tx, caller: Caller, id_: str) -> store.Row:
    found = store.delivery(tx, caller.organisation, id_)
    if found is None:
        raise NotFoundError(_WHAT, id_)
    return found


def _whole(row: store.Row) -> dict[str, Any]:
    return delivery_answer(row) | {"body": json.loads(row["document"])}


def _instant(moment: datetime | None) -> str | None:
    return None if moment is None else instant(moment)
