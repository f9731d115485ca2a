"""Who did and who read what; append-only."""

from datetime import datetime

import sqlalchemy as sa

from service.store.database import Tx
from service.store.tables import audit_log


def note(  # noqa: PLR0913 - the columns of one row
    tx: Tx,
    *,
    organisation: str,
    id_: str,
    at: datetime,
    actor: str,
    action: str,
    object_kind: str,
    object_id: str | None = None,
    athlete: str | None = None,
    request_id: str | None = None,
    detail: str | None = None,
) -> None:
    """Add a row."""
    values = {
        "organisation_id": organisation,
        "id": id_,
        "at": at,
        "actor_id": actor,
        "action": action,
        "object_kind": object_kind,
        "object_id": object_id,
        "athlete_id": athlete,
        "request_id": request_id,
        "detail": detail,
    }
    tx.execute(sa.insert(audit_log).values(values))
