"""What is asked of decisions on record: their standing, one by id, pages of the history."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from service.domain.standing import EXPIRED, STANDING, Standing
from service.store.database import Tx
from service.store.tables import (
    actors,
    athletes,
    criteria_versions,
    decisions,
    episodes,
    record_entries,
    tasks,
    unmet_criteria,
)
from service.store.task_state import FOLLOW_UP, RETEST, task_id

Place = tuple[datetime, str]
"""When a decision was made, and its id; a page of the history, newest first, begins after it."""

Row = dict[str, Any]

UNMET = ("not_met", "not_assessed")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which decisions are wanted: what is None leaves nothing out; decided from `since` on, before `until`.

    `today` tells an expired decision from a standing one.
    """

    today: date
    posted_by: str | None = None
    athlete: str | None = None
    episode: str | None = None
    outcome: str | None = None
    hold_because: str | None = None
    stage: str | None = None
    condition: str | None = None
    criteria_set: str | None = None
    version: int | None = None
    criterion: str | None = None
    status: str | None = None
    state: str | None = None
    signed: bool | None = None
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """Where the entry of a decision stands: whose record, at which place, and who had it made."""

    athlete: str
    sequence: int
    actor: str


def listed(tx: Tx, organisation: str, wanted: Wanted, *, after: Place | None, limit: int) -> list[Row]:
    """Return a page of decisions with the refs and the criteria digest that are shown with them, newest first."""
    return _rows(tx, page_query(organisation, wanted, after=after, limit=limit))


def page_query(organisation: str, wanted: Wanted, *, after: Place | None, limit: int) -> sa.Select[Any]:
    """Return the query of a page: the page is found by an index first, then the names are looked up."""
    conditions = [decisions.c.organisation_id == organisation, *_conditions(wanted)]
    if wanted.criterion is None:
        own = sa.select(decisions).where(*conditions, *_after(decisions.c.decided_at, decisions.c.id, after))
        return _named(_newest(own, decisions.c.decided_at, decisions.c.id, limit).subquery())
    # The index of unmet criteria is sorted within one status, so each status gives its own newest ones.
    statuses = UNMET if wanted.status is None else (wanted.status,)
    parts = [
        _newest(
            _unmet(organisation, wanted.criterion, status).where(
                *conditions, *_after(unmet_criteria.c.decided_at, unmet_criteria.c.decision_id, after)
            ),
            unmet_criteria.c.decided_at,
            unmet_criteria.c.decision_id,
            limit,
        )
        for status in statuses
    ]
    both = sa.union_all(*(sa.select(part.subquery()) for part in parts)).subquery()
    return _named(_newest(sa.select(both), both.c.decided_at, both.c.id, limit).subquery())


def _unmet(organisation: str, criterion: str, status: str) -> sa.Select[Any]:
    columns = unmet_criteria.c
    same = (columns.organisation_id == decisions.c.organisation_id) & (columns.decision_id == decisions.c.id)
    return (
        sa.select(decisions)
        .select_from(unmet_criteria)
        .join(decisions, same)
        .where(columns.organisation_id == organisation, columns.criterion_id == criterion, columns.status == status)
    )


def _named(page: sa.Subquery) -> sa.Select[Any]:
    """Return a page's rows with the refs, the episode's position now and the digest of the criteria, newest first."""
    names = (athletes.c.ref.label("athlete_ref"), episodes.c.ref.label("episode_ref"))
    position = (episodes.c.stage.label("position_stage"), episodes.c.participation, episodes.c.position_until)
    closed = episodes.c.closed_on.label("episode_closed_on")
    digest = criteria_versions.c.digest.label("criteria_digest")
    is_athlete = (athletes.c.organisation_id == page.c.organisation_id) & (athletes.c.id == page.c.athlete_id)
    is_episode = (episodes.c.organisation_id == page.c.organisation_id) & (episodes.c.id == page.c.episode_id)
    is_version = (
        (criteria_versions.c.organisation_id == page.c.organisation_id)
        & (criteria_versions.c.set_id == page.c.set_id)
        & (criteria_versions.c.version == page.c.version)
    )
    joined = page.join(athletes, is_athlete).join(episodes, is_episode).join(criteria_versions, is_version)
    query = sa.select(page, *names, *position, closed, digest).select_from(joined)
    return query.order_by(page.c.decided_at.desc(), page.c.id.desc())


def _newest(query: sa.Select[Any], at: Any, id_: Any, limit: int) -> sa.Select[Any]:
    return query.order_by(at.desc(), id_.desc()).limit(limit)


def _after(at: Any, id_: Any, after: Place | None) -> Iterator[sa.ColumnElement[bool]]:
    """Yield where a page begins: as one comparison of rows, which both databases look up in an index."""
    if after is not None:
        place = sa.tuple_(sa.literal(after[0], at.type), sa.literal(after[1], id_.type))
        yield sa.tuple_(at, id_) < place


def _conditions(wanted: Wanted) -> Iterator[sa.ColumnElement[bool]]:
    columns = decisions.c
    same = (
        (columns.posted_by, wanted.posted_by),
        (columns.athlete_id, wanted.athlete),
        (columns.episode_id, wanted.episode),
        (columns.outcome, wanted.outcome),
        (columns.target_stage, wanted.stage),
        (columns.condition, wanted.condition),
        (columns.set_id, wanted.criteria_set),
        (columns.version, wanted.version),
    )
    yield from (column == value for column, value in same if value is not None)
    if wanted.hold_because is not None:
        yield columns[wanted.hold_because].is_(True)
    if wanted.signed is not None:
        yield columns.signed_at.is_not(None) if wanted.signed else columns.signed_at.is_(None)
    if wanted.since is not None:
        yield columns.decided_at >= wanted.since
    if wanted.until is not None:
        yield columns.decided_at < wanted.until
    yield from _in_state(wanted)


def _in_state(wanted: Wanted) -> Iterator[sa.ColumnElement[bool]]:
    state, until = decisions.c.state, decisions.c.stands_until
    if wanted.state == EXPIRED:
        yield (state == STANDING) & (until < wanted.today)
    elif wanted.state == STANDING:
        yield (state == STANDING) & (until.is_(None) | (until >= wanted.today))
    elif wanted.state is not None:
        yield state == wanted.state


def named(tx: Tx, organisation: str, ids: Iterable[str]) -> list[Row]:
    """Return decisions by their ids, as `listed` does."""
    own = sa.select(decisions).where(decisions.c.organisation_id == organisation, decisions.c.id.in_(list(ids)))
    return _rows(tx, _named(own.subquery()))


def of_battery(tx: Tx, organisation: str, battery: str) -> list[Row]:
    """Return the decisions that a battery was posted for, as `listed` does."""
    own = sa.select(decisions).where(decisions.c.organisation_id == organisation, decisions.c.battery_id == battery)
    return _rows(tx, _named(own.subquery()))


def _rows(tx: Tx, query: sa.Select[Any]) -> list[Row]:
    return [dict(row) for row in tx.execute(query).mappings()]


def origin(tx: Tx, organisation: str, id_: str) -> Origin | None:
    """Return where the entry of a decision stands, by its row; by the entry itself where the row was erased."""
    own, kept = decisions.c, record_entries.c
    row = sa.select(own.athlete_id, own.sequence, own.posted_by).where(
        own.organisation_id == organisation, own.id == id_
    )
    entry = sa.select(kept.athlete_id, kept.sequence, kept.actor_id).where(
        kept.organisation_id == organisation, kept.id == id_, kept.kind == "decision"
    )
    found = tx.execute(row).one_or_none() or tx.execute(entry).one_or_none()
    return None if found is None else Origin(*found)


def standings(tx: Tx, organisation: str, athlete: str) -> dict[str, Standing]:
    """Return what has become of each of an athlete's decisions, as it is kept; expiry is a matter of today."""
    query = sa.select(decisions.c.id, decisions.c.state, decisions.c.stands_until).where(
        decisions.c.organisation_id == organisation, decisions.c.athlete_id == athlete
    )
    return {row.id: Standing(row.state, row.stands_until) for row in tx.execute(query)}


def decision(tx: Tx, organisation: str, id_: str) -> Row | None:
    """Return the current state of a decision with what `listed` shows of it, and who posted it, by name."""
    is_poster = (actors.c.organisation_id == decisions.c.organisation_id) & (actors.c.id == decisions.c.posted_by)
    query = (
        sa.select(decisions, actors.c.display_name.label("posted_by_name"))
        .join(actors, is_poster)
        .where(decisions.c.organisation_id == organisation, decisions.c.id == id_)
    )
    return next(iter(_rows(tx, _named(query.subquery()))), None)


def decision_of_battery(tx: Tx, organisation: str, battery: str) -> Row | None:
    """Return the decision that a battery was posted for, None where nothing was judged."""
    query = sa.select(decisions).where(decisions.c.organisation_id == organisation, decisions.c.battery_id == battery)
    return next(iter(_rows(tx, query.order_by(decisions.c.sequence).limit(1))), None)


def tasks_of(tx: Tx, organisation: str, of_decision: str, occasion: str | None) -> set[str]:
    """Return the ids of the tasks that came from a decision: its retest, and the morning after its occasion."""
    named = [task_id(RETEST, of_decision), *([task_id(FOLLOW_UP, occasion)] if occasion is not None else [])]
    query = sa.select(tasks.c.id).where(tasks.c.organisation_id == organisation, tasks.c.id.in_(named))
    return set(tx.execute(query).scalars())
