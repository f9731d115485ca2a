"""Decisions in short, as they stand in lists and in answers about something else, with their cautions."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from service.domain.codes import HOLD_KINDS
from service.domain.record import instant
from service.store.database import Tx
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import standing_view
from service.use_cases.in_force import by_digest


def today_of(context: Context, caller: Caller) -> date:
    """Return today in the organisation's zone."""
    return context.clock().astimezone(caller.zone).date()


def brief(row: Mapping[str, Any], today: date) -> dict[str, Any]:
    """Return a decision in short; its caution stands beside it, under the digest of its criteria set."""
    return {
        "id": row["id"],
        "battery_id": row["battery_id"],
        "athlete_id": row["athlete_id"],
        "athlete_ref": row["athlete_ref"],
        "episode_id": row["episode_id"],
        "episode_ref": row["episode_ref"],
        "condition": row["condition"],
        "target_stage": row["target_stage"],
        "outcome": row["outcome"],
        "hold_because": [kind for kind in HOLD_KINDS if row[kind]],
        "standing": standing_view(row, today),
        "criteria_set": {"id": row["set_id"], "version": row["version"], "digest": row["criteria_digest"]},
        "as_of": instant(row["as_of"]),
        "decided_at": instant(row["decided_at"]),
        "signed": row["signed_at"] is not None,
    }


def cautions(tx: Tx, caller: Caller, rows: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the caution of every criteria set that decided one of these, by its digest."""
    digests = dict.fromkeys(row["criteria_digest"] for row in rows)
    return {digest: by_digest(tx, caller.organisation, digest).document["caution"] for digest in digests}


def briefs(tx: Tx, caller: Caller, rows: Sequence[Mapping[str, Any]], today: date) -> dict[str, Any]:
    """Return decisions in short with their cautions, as they stand in the answer about something else."""
    return {"decisions": [brief(row, today) for row in rows], "cautions": cautions(tx, caller, rows)}
