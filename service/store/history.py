"""What is asked of decisions on record: their standing, one by id, pages of the history."""

import sqlalchemy as sa

from service.domain.standing import Standing
from service.store.database import Tx
from service.store.state import FOLLOW_UP, RETEST, task_id
from service.store.tables import decisions, tasks


def standings(tx: Tx, organisation: str, athlete: str) -> dict[str, Standing]:
    """Return what has become of each of an athlete's decisions, as it is kept; expiry is a matter of today."""
    query = sa.select(decisions.c.id, decisions.c.state, decisions.c.stands_until).where(
        decisions.c.organisation_id == organisation, decisions.c.athlete_id == athlete
    )
    return {row.id: Standing(row.state, row.stands_until) for row in tx.execute(query)}


def decision(tx: Tx, organisation: str, id_: str) -> sa.RowMapping | None:
    """Return the current state of a decision."""
    query = sa.select(decisions).where(decisions.c.organisation_id == organisation, decisions.c.id == id_)
    return tx.execute(query).mappings().one_or_none()


def decision_of_battery(tx: Tx, organisation: str, battery: str) -> sa.RowMapping | None:
    """Return the decision that a battery was posted for, None where nothing was judged."""
    query = sa.select(decisions).where(decisions.c.organisation_id == organisation, decisions.c.battery_id == battery)
    return tx.execute(query.order_by(decisions.c.sequence).limit(1)).mappings().one_or_none()


def tasks_of(tx: Tx, organisation: str, of_decision: str, occasion: str | None) -> set[str]:
    """Return the ids of the tasks that came from a decision: its retest, and the morning after its occasion."""
    named = [task_id(RETEST, of_decision), *([task_id(FOLLOW_UP, occasion)] if occasion is not None else [])]
    query = sa.select(tasks.c.id).where(tasks.c.organisation_id == organisation, tasks.c.id.in_(named))
    return set(tx.execute(query).scalars())
