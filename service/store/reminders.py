"""Reminders of tasks, and the plans that say when they are due."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from service.store.database import Tx
from service.store.sending_tables import reminder_plans, reminders
from service.store.tables import actors, organisations, tasks
from service.store.task_state import OPEN

PLANNED, HANDED, TOO_LATE = "planned", "handed", "too_late"
_CHUNK = 500

Row = dict[str, Any]


class Plan(NamedTuple):
    """A plan as it is kept."""

    document: dict[str, Any]
    revision: int


class New(NamedTuple):
    """A reminder to be kept."""

    id: str
    task: str
    due_on: date
    step: str
    at: datetime


# Plans


def plans(tx: Tx, organisation: str, of: Sequence[str]) -> dict[str, Plan]:
    """Return the plans that are kept, by whose they are: the organisation's own, or an episode's."""
    columns = reminder_plans.c
    query = sa.select(columns.of_id, columns.document, columns.revision).where(columns.organisation_id == organisation)
    found: dict[str, Plan] = {}
    for place in range(0, len(of), _CHUNK):
        for row in tx.execute(query.where(columns.of_id.in_(of[place : place + _CHUNK]))):
            found[row.of_id] = Plan(json.loads(row.document), row.revision)
    return found


def keep_plan(  # noqa: PLR0913 - what a row is made of
    tx: Tx, organisation: str, of: str, document: Mapping[str, Any], *, by: str, at: datetime
) -> None:
    """Keep a plan, new or in the place of the one before."""
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    text = json.dumps(document, ensure_ascii=False)
    new = insert(reminder_plans).values(
        organisation_id=organisation, of_id=of, document=text, revision=1, edited_by=by, edited_at=at
    )
    changed = {
        "document": text,
        "revision": reminder_plans.c.revision + 1,
        "edited_by": by,
        "edited_at": at,
    }
    tx.execute(new.on_conflict_do_update(index_elements=["organisation_id", "of_id"], set_=changed))


def drop_plan(tx: Tx, organisation: str, of: str) -> None:
    """Forget a plan."""
    tx.execute(sa.delete(reminder_plans).where(*_is_plan(organisation, of)))


def _is_plan(organisation: str, of: str) -> tuple[sa.ColumnElement[bool], ...]:
    return reminder_plans.c.organisation_id == organisation, reminder_plans.c.of_id == of


# Reminders


def forget_planned(tx: Tx, organisation: str, task_ids: Sequence[str]) -> dict[str, set[str]]:
    """Remove what is planned for tasks, and return its steps by the task; what was handed over stays."""
    columns = reminders.c
    forgotten: dict[str, set[str]] = {}
    for place in range(0, len(task_ids), _CHUNK):
        some = task_ids[place : place + _CHUNK]
        gone = sa.delete(reminders).where(
            columns.organisation_id == organisation, columns.task_id.in_(some), columns.state == PLANNED
        )
        for task, step in tx.execute(gone.returning(columns.task_id, columns.step)):
            forgotten.setdefault(task, set()).add(step)
    return forgotten


def plan(tx: Tx, organisation: str, new: Sequence[New]) -> None:
    """Keep reminders as planned; what stands there under the same id, handed over or not, stays as it is."""
    if not new:
        return
    insert = sqlite.insert if tx.dialect.name == "sqlite" else postgresql.insert
    rows = [
        {
            "organisation_id": organisation,
            "id": one.id,
            "task_id": one.task,
            "due_on": one.due_on,
            "step": one.step,
            "at": one.at,
            "state": PLANNED,
        }
        for one in new
    ]
    tx.execute(insert(reminders).on_conflict_do_nothing(), rows)


def waiting(tx: Tx, now: datetime) -> list[str]:
    """Return the organisations of which a reminder is due."""
    query = sa.select(reminders.c.organisation_id).where(reminders.c.state == PLANNED, reminders.c.at <= now)
    return list(tx.execute(query.distinct()).scalars())


def lock(tx: Tx, organisation: str) -> str | None:
    """Lock an organisation and return its time zone; None where another process hands over its reminders."""
    query = sa.select(organisations.c.time_zone).where(organisations.c.id == organisation)
    return tx.execute(query.with_for_update(skip_locked=True, key_share=True)).scalar()


def due(tx: Tx, organisation: str, now: datetime, limit: int) -> list[Row]:
    """Return reminders that are due with their tasks, earliest first; of a task that is gone, its columns are None.

    Of each task all that are due are returned, so that the latest can be told from those that it takes the place of.

    Args:
        tx: a transaction.
        organisation: whose.
        now: by when they are due.
        limit: the most tasks.
    """
    is_due = sa.and_(reminders.c.organisation_id == organisation, reminders.c.state == PLANNED, reminders.c.at <= now)
    some = sa.select(reminders.c.task_id).where(is_due).group_by(reminders.c.task_id)
    first = some.order_by(sa.func.min(reminders.c.at), reminders.c.task_id).limit(limit)
    is_task = (tasks.c.organisation_id == reminders.c.organisation_id) & (tasks.c.id == reminders.c.task_id)
    query = (
        sa.select(
            reminders.c.id,
            reminders.c.task_id,
            reminders.c.due_on,
            reminders.c.step,
            reminders.c.at,
            *(tasks.c[name] for name in _OF_TASK),
            tasks.c.state.label("task_state"),
            tasks.c.due_on.label("task_due_on"),
        )
        .select_from(reminders.outerjoin(tasks, is_task))
        .where(is_due, reminders.c.task_id.in_(first))
        .order_by(reminders.c.at, reminders.c.id)
    )
    return [dict(row) for row in tx.execute(query).mappings()]


_OF_TASK = ("kind", "about", "athlete_id", "episode_id", "decision_id", "window_days")


def settle(tx: Tx, organisation: str, states: Mapping[str, str], now: datetime) -> None:
    """Write what became of reminders, by id."""
    if not states:
        return
    change = (
        sa.update(reminders)
        .where(reminders.c.organisation_id == organisation, reminders.c.id == sa.bindparam("of"))
        .values(state=sa.bindparam("became"), settled_at=now)
    )
    tx.execute(change, [{"of": id_, "became": state} for id_, state in states.items()])


def open_tasks(tx: Tx, organisation: str, *, episode: str | None = None, is_unplanned: bool = False) -> list[Row]:
    """Return open tasks: all, those of an episode, or those that no reminder was ever planned for."""
    query = sa.select(tasks).where(tasks.c.organisation_id == organisation, tasks.c.state == OPEN)
    if episode is not None:
        query = query.where(tasks.c.episode_id == episode)
    if is_unplanned:
        known = sa.select(reminders.c.task_id).where(reminders.c.organisation_id == organisation)
        query = query.where(tasks.c.id.not_in(known))
    return [dict(row) for row in tx.execute(query).mappings()]


def people_with_mail(tx: Tx, organisation: str) -> dict[str, list[str]]:
    """Return the roles of each enabled person who has an e-mail address, by the actor's id."""
    columns = actors.c
    query = sa.select(columns.id, columns.roles).where(
        columns.organisation_id == organisation,
        columns.kind == "person",
        columns.disabled_at.is_(None),
        columns.email.is_not(None),
    )
    return {row.id: row.roles.split() for row in tx.execute(query)}


def reachable(tx: Tx, organisation: str) -> dict[str, str]:
    """Return the names of the people who can be sent mails, by id, in the order of their names."""
    columns = actors.c
    query = sa.select(columns.id, columns.display_name).where(
        columns.organisation_id == organisation,
        columns.kind == "person",
        columns.disabled_at.is_(None),
        columns.email.is_not(None),
    )
    return {row.id: row.display_name for row in tx.execute(query.order_by(columns.display_name, columns.id))}


def recipients(tx: Tx, organisation: str, ids: Iterable[str]) -> dict[str, Row]:
    """Return what matters of actors who are to be sent mails, by id."""
    columns = actors.c
    query = sa.select(columns.id, columns.kind, columns.display_name, columns.email, columns.disabled_at).where(
        columns.organisation_id == organisation, columns.id.in_(sorted(set(ids)))
    )
    return {row["id"]: dict(row) for row in tx.execute(query).mappings()}
