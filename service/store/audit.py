"""Who did and who read what; append-only."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.store.access import Place, newest_first
from service.store.database import Tx
from service.store.tables import actors, audit_log


@dataclass(frozen=True, slots=True)
class Row:
    """A row with the name of who did it."""

    id: str
    at: datetime
    actor: str
    display_name: str
    action: str
    object_kind: str
    object_id: str | None
    athlete: str | None
    request_id: str | None
    detail: str | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows are wanted: what is None leaves nothing out; from `since` on, before `until`."""

    actor: str | None = None
    action: str | None = None
    athlete: str | None = None
    since: datetime | None = None
    until: datetime | None = None


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


def list_rows(tx: Tx, organisation: str, wanted: Wanted, *, after: Place | None, limit: int) -> list[Row]:
    """Return a page of rows, newest first."""
    columns = audit_log.c
    who = (actors.c.organisation_id == columns.organisation_id) & (actors.c.id == columns.actor_id)
    asked = (
        sa.select(
            columns.id,
            columns.at,
            columns.actor_id,
            actors.c.display_name,
            columns.action,
            columns.object_kind,
            columns.object_id,
            columns.athlete_id,
            columns.request_id,
            columns.detail,
        )
        .join(actors, who)
        .where(columns.organisation_id == organisation, *_conditions(wanted))
    )
    return [Row(*row) for row in tx.execute(newest_first(asked, columns.at, columns.id, after).limit(limit))]


def _conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    columns = audit_log.c
    same = ((columns.actor_id, wanted.actor), (columns.action, wanted.action), (columns.athlete_id, wanted.athlete))
    conditions = [column == value for column, value in same if value is not None]
    if wanted.since is not None:
        conditions.append(columns.at >= wanted.since)
    if wanted.until is not None:
        conditions.append(columns.at < wanted.until)
    return conditions
