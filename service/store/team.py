"""The open episodes of an organisation with all that the team page says of them, in as few statements as rows allow."""

from typing import Any

import sqlalchemy as sa

from service.domain.codes import HOLD_KINDS
from service.store.database import Tx
from service.store.tables import (
    athletes,
    batteries,
    criteria_versions,
    decisions,
    episodes,
    findings,
    tasks,
    unmet_criteria,
)
from service.store.task_state import OPEN

Row = dict[str, Any]

# Of the hundreds of decisions of a team only what a line needs: reading ids and moments takes most of the time.
_OF_DECISION = (
    "id",
    "episode_id",
    "sequence",
    "target_stage",
    "outcome",
    *HOLD_KINDS,
    "state",
    "stands_until",
    "signed_at",
)


def open_episodes(tx: Tx, organisation: str) -> list[Row]:
    """Return the open episodes with the athlete's ref, how many findings are open, and what is due first."""
    columns = episodes.c
    own_findings = sa.select(sa.func.count()).where(
        findings.c.organisation_id == columns.organisation_id,
        findings.c.episode_id == columns.id,
        findings.c.resolved_by.is_(None),
    )
    due = tasks.alias()
    first_due = (
        sa.select(due.c.id)
        .where(due.c.organisation_id == columns.organisation_id, due.c.episode_id == columns.id, due.c.state == OPEN)
        .order_by(due.c.due_on, due.c.id)
        .limit(1)
    )
    is_athlete = (athletes.c.organisation_id == columns.organisation_id) & (athletes.c.id == columns.athlete_id)
    is_first = (tasks.c.organisation_id == columns.organisation_id) & (tasks.c.id == first_due.scalar_subquery())
    query = (
        sa.select(
            episodes,
            athletes.c.ref.label("athlete_ref"),
            own_findings.scalar_subquery().label("open_findings"),
            tasks.c.kind.label("task_kind"),
            tasks.c.due_on,
            tasks.c.window_days,
        )
        .select_from(episodes.join(athletes, is_athlete).outerjoin(tasks, is_first))
        .where(columns.organisation_id == organisation, columns.closed_on.is_(None), athletes.c.erased_at.is_(None))
        .order_by(athletes.c.ref, columns.id)
    )
    return [dict(row) for row in tx.execute(query).mappings()]


def decisions_of_open(tx: Tx, organisation: str) -> list[Row]:
    """Return the decisions of the open episodes in the order of as_of and sequence, with their version's digest.

    `battery_state` is that of the battery that a decision was posted with, None where it was judged as stored; `unmet`
    counts the criteria that it did not find met.
    """
    columns = decisions.c
    is_episode = (episodes.c.organisation_id == columns.organisation_id) & (episodes.c.id == columns.episode_id)
    is_battery = (batteries.c.organisation_id == columns.organisation_id) & (batteries.c.id == columns.battery_id)
    is_version = (
        (criteria_versions.c.organisation_id == columns.organisation_id)
        & (criteria_versions.c.set_id == columns.set_id)
        & (criteria_versions.c.version == columns.version)
    )
    own_unmet = sa.select(sa.func.count()).where(
        unmet_criteria.c.organisation_id == columns.organisation_id, unmet_criteria.c.decision_id == columns.id
    )
    query = (
        sa.select(
            *(columns[name] for name in _OF_DECISION),
            batteries.c.state.label("battery_state"),
            criteria_versions.c.digest.label("criteria_digest"),
            own_unmet.scalar_subquery().label("unmet"),
        )
        .select_from(
            decisions.join(episodes, is_episode).outerjoin(batteries, is_battery).join(criteria_versions, is_version)
        )
        .where(columns.organisation_id == organisation, episodes.c.closed_on.is_(None))
        .order_by(columns.episode_id, columns.as_of, columns.sequence)
    )
    return [dict(row) for row in tx.execute(query).mappings()]
