"""What is due: retests and the questions of the morning after, in the order of their dates."""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa

from service.store.database import Tx
from service.store.reminders import HANDED
from service.store.sending_tables import reminders
from service.store.tables import athletes, decisions, episodes, record_entries, tasks
from service.store.task_state import CLOSED, FOLLOW_UP, OPEN

Row = dict[str, Any]

Place = tuple[date, str]
"""When a task is due, and its id; a page of the list begins after it."""


CRITERIA_REVIEW = "criteria_review"
"""The kind of the tasks that belong to no athlete, and to nobody's record; `about` names a version of criteria."""

UPCOMING, DUE, OVERDUE, LAPSED = "upcoming", "due", "overdue", "lapsed"
"""What an open task is on a day: once its window is over, overdue; a question of the morning after has lapsed then."""

FILTERS = ("kind", "state", "status", "athlete", "episode", "due_from", "due_to", "overdue")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which tasks are wanted: what is None leaves nothing out; `status` and `overdue` are seen from `today`.

    Of the open ones those that have lapsed are left out, unless `status` asks for them.
    """

    today: date
    kind: str | None = None
    state: str | None = None
    status: str | None = None
    athlete: str | None = None
    episode: str | None = None
    due_from: date | None = None
    due_to: date | None = None
    overdue: bool | None = None


def listed(tx: Tx, organisation: str, wanted: Wanted, *, after: Place | None, limit: int) -> list[Row]:
    """Return a page of tasks with the refs that are shown with them, the first due first."""
    columns = tasks.c
    query = sa.select(tasks).where(
        columns.organisation_id == organisation, columns.kind != CRITERIA_REVIEW, *_conditions(tx, wanted)
    )
    if after is not None:
        place = sa.tuple_(sa.literal(after[0], columns.due_on.type), sa.literal(after[1], columns.id.type))
        query = query.where(sa.tuple_(columns.due_on, columns.id) > place)
    return named(tx, query.order_by(columns.due_on, columns.id).limit(limit).subquery())


def one(tx: Tx, organisation: str, id_: str) -> Row | None:
    """Return a task of an athlete by its id."""
    query = sa.select(tasks).where(
        tasks.c.organisation_id == organisation, tasks.c.id == id_, tasks.c.kind != CRITERIA_REVIEW
    )
    return next(iter(named(tx, query.subquery())), None)


def open_of(tx: Tx, organisation: str, episode_ids: Iterable[str]) -> list[Row]:
    """Return the open tasks of episodes, the first due first."""
    query = sa.select(tasks).where(
        tasks.c.organisation_id == organisation, tasks.c.episode_id.in_(list(episode_ids)), tasks.c.state == OPEN
    )
    return named(tx, query.subquery())


def in_calendar(tx: Tx, organisation: str, *, today: date, since: date, most: int) -> list[Row]:
    """Return the open tasks, the first due first, and the closed ones due since a date, the last due first.

    With each stand the ref of its athlete, how many entries the record has, and when the last of them was recorded.

    Args:
        tx: the transaction.
        organisation: whose tasks.
        today: on which a question that has lapsed is left out.
        since: the first date on which a closed task was due.
        most: the most tasks of either.
    """
    columns, wanted = tasks.c, Wanted(today=today, state=CLOSED, due_from=since)
    whose = (columns.organisation_id == organisation, columns.kind != CRITERIA_REVIEW)
    due = sa.select(tasks).where(*whose, *_conditions(tx, Wanted(today=today, state=OPEN)))
    closed = sa.select(tasks).where(*whose, *_conditions(tx, wanted))
    several = (due.order_by(columns.due_on, columns.id), closed.order_by(columns.due_on.desc(), columns.id.desc()))
    return [row for query in several for row in _with_record(tx, query.limit(most).subquery())]


def reviews(tx: Tx, organisation: str) -> list[Row]:
    """Return the reviews of criteria, open and closed, the first due first; of a day, those that are closed."""
    query = sa.select(tasks).where(tasks.c.organisation_id == organisation, tasks.c.kind == CRITERIA_REVIEW)
    order = (tasks.c.due_on, tasks.c.state == OPEN, tasks.c.updated_at, tasks.c.id)
    return [dict(row) for row in tx.execute(query.order_by(*order)).mappings()]


def add(tx: Tx, new: Sequence[Row]) -> None:
    """Keep tasks that are of no athlete; all others are written with the state of their athlete."""
    if new:
        tx.execute(sa.insert(tasks), new)


def change(tx: Tx, row: Row) -> None:
    """Write a task of no athlete as it is now."""
    is_it = (tasks.c.organisation_id == row["organisation_id"], tasks.c.id == row["id"])
    tx.execute(sa.update(tasks).where(*is_it).values(row))


def decided(tx: Tx, organisation: str, rows: Iterable[Row]) -> dict[str, Any]:
    """Return what the decisions say that tasks come from, by the id of the decision and of the battery judged."""
    named = list(rows)
    columns = decisions.c
    is_entry = (record_entries.c.organisation_id == columns.organisation_id) & (record_entries.c.id == columns.id)
    query = (
        sa.select(columns.id, columns.battery_id, record_entries.c.document)
        .select_from(decisions.join(record_entries, is_entry))
        .where(
            columns.organisation_id == organisation,
            columns.id.in_([one["decision_id"] for one in named if one["decision_id"]])
            | columns.battery_id.in_([one["battery_id"] for one in named if one["battery_id"]]),
            record_entries.c.document.is_not(None),
        )
        .order_by(columns.sequence)
    )
    said = [(row.id, row.battery_id, json.loads(row.document)) for row in tx.execute(query)]
    return {key: document for id_, battery, document in said for key in (id_, battery) if key is not None}


def named(tx: Tx, found: sa.Subquery) -> list[Row]:
    """Return tasks with the refs that are shown with them and the last reminder of each, the first due first."""
    is_reminder = (reminders.c.organisation_id == found.c.organisation_id) & (reminders.c.task_id == found.c.id)
    handed = sa.select(sa.func.max(reminders.c.settled_at)).where(is_reminder, reminders.c.state == HANDED)
    reminded = handed.correlate(found).scalar_subquery()
    is_athlete = (athletes.c.organisation_id == found.c.organisation_id) & (athletes.c.id == found.c.athlete_id)
    is_episode = (episodes.c.organisation_id == found.c.organisation_id) & (episodes.c.id == found.c.episode_id)
    query = (
        sa.select(
            found,
            athletes.c.ref.label("athlete_ref"),
            episodes.c.ref.label("episode_ref"),
            reminded.label("reminded_at"),
        )
        .select_from(found.outerjoin(athletes, is_athlete).outerjoin(episodes, is_episode))
        .order_by(found.c.due_on, found.c.id)
    )
    return [dict(row) for row in tx.execute(query).mappings()]


def _with_record(tx: Tx, found: sa.Subquery) -> list[Row]:
    is_athlete = (athletes.c.organisation_id == found.c.organisation_id) & (athletes.c.id == found.c.athlete_id)
    is_last = (
        (record_entries.c.organisation_id == athletes.c.organisation_id)
        & (record_entries.c.athlete_id == athletes.c.id)
        & (record_entries.c.sequence == athletes.c.entries)
    )
    query = (
        sa.select(found, athletes.c.ref.label("athlete_ref"), athletes.c.entries, record_entries.c.recorded_at)
        .select_from(found.join(athletes, is_athlete).outerjoin(record_entries, is_last))
        .order_by(found.c.due_on, found.c.id)
    )
    return [dict(row) for row in tx.execute(query).mappings()]


def _conditions(tx: Tx, wanted: Wanted) -> Iterator[sa.ColumnElement[bool]]:
    columns = tasks.c
    same = (
        (columns.kind, wanted.kind),
        (columns.state, wanted.state),
        (columns.athlete_id, wanted.athlete),
        (columns.episode_id, wanted.episode),
    )
    yield from (column == value for column, value in same if value is not None)
    if wanted.status is not None:
        yield from _has_status(tx, wanted.status, wanted.today)
    elif wanted.state == OPEN:
        yield sa.not_(sa.and_(*_has_status(tx, LAPSED, wanted.today)))
    if wanted.due_from is not None:
        yield columns.due_on >= wanted.due_from
    if wanted.due_to is not None:
        yield columns.due_on <= wanted.due_to
    if wanted.overdue is not None:
        is_over = sa.and_(*_has_status(tx, OVERDUE, wanted.today))
        yield is_over if wanted.overdue else sa.not_(is_over)


def _has_status(tx: Tx, status: str, today: date) -> Iterator[sa.ColumnElement[bool]]:
    """Yield what is so of the tasks that have a status today."""
    columns = tasks.c
    yield columns.state != OPEN if status == CLOSED else columns.state == OPEN
    if status == UPCOMING:
        yield columns.due_on > today
    elif status != CLOSED:
        yield columns.due_on <= today  # said for the index, which the last day has no part in
        yield _last_day(tx) >= today if status == DUE else _last_day(tx) < today
    if status == OVERDUE:
        yield columns.kind != FOLLOW_UP
    elif status == LAPSED:
        yield columns.kind == FOLLOW_UP


def _last_day(tx: Tx) -> sa.ColumnElement[Any]:
    """Return the last day of a task's window; dates are text on SQLite."""
    if tx.dialect.name == "sqlite":
        days = sa.cast(tasks.c.window_days, sa.Text) + " days"
        return sa.type_coerce(sa.func.date(tasks.c.due_on, days), sa.Date)
    return sa.type_coerce(tasks.c.due_on + tasks.c.window_days, sa.Date)
