"""The team: every open episode with its position, what the decisions support, what holds, and what is due next."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from service.domain.codes import HOLD_KINDS, PASS
from service.domain.criteria import CriteriaSet
from service.store import entries
from service.store import team as store
from service.store.database import Tx
from service.store.state import IS_STANDING, IS_VOID
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import standing_view
from service.use_cases.in_force import by_digest
from service.use_cases.lapses import has_lapsed
from service.use_cases.reads import Seen, watched

EPISODE = "episode"
FIRST, SAME, BETTER, WORSE = "first", "same", "better", "worse"

Row = Mapping[str, Any]


def read_team(context: Context, caller: Caller) -> dict[str, Any]:
    """Return every open episode in short, by the athlete's ref.

    Returns:
        `{items, stages, cautions}`: the titles of the stages that there are by id, lowest first, and the cautions of
        the decisions among the items.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        episodes = store.open_episodes(tx, caller.organisation)
        rows = store.decisions_of_open(tx, caller.organisation)
        criteria = {
            digest: by_digest(tx, caller.organisation, digest)
            for digest in sorted({row["criteria_digest"] for row in rows})
        }
        decided = {key: list(own) for key, own in groupby(rows, key=lambda row: row["episode_id"])}
        latest = {own[-1]["id"] for own in map(_live, decided.values()) if own}
        said = entries.documents(tx, caller.organisation, latest)
        items = [_item(row, decided.get(row["id"], []), said, criteria, today) for row in episodes]
        cautions = [one.document["caution"] for one in criteria.values()]
        answer = {"items": items, "stages": _stages(items, criteria.values()), "cautions": cautions}
        return Seen(answer, detail=f"{len(items)} shown")

    return watched(context, caller, read, action="read_team", kind=EPISODE)


def supported(decisions: Sequence[Row], criteria: Mapping[str, CriteriaSet]) -> str | None:
    """Return the supported stage from rows of decisions, as `standing.supported_stage` finds it in the record.

    Only what stands by its row is counted. Where a pass was taken back and an earlier one of its stage would count
    again, the record says more; nowhere does it say less.

    Args:
        decisions: an episode's, by as_of and sequence.
        criteria: the sets that made them, by digest.
    """
    found: list[tuple[int, int, str]] = []
    for place, row in enumerate(decisions):
        stages = criteria[row["criteria_digest"]].stages
        level = stages.index(row["target_stage"])
        later = decisions[place + 1 :]
        held = any(_holds(other) and other["target_stage"] in stages[: level + 1] for other in later)
        if row["outcome"] == PASS and row["state"] == IS_STANDING and not held:
            found.append((level, row["sequence"], row["target_stage"]))
    return max(found)[2] if found else None


def _holds(row: Row) -> bool:
    """Tell whether a hold counts: a void one does as long as the battery that it was posted with does."""
    is_gone = row["state"] == IS_VOID and row["battery_state"] == IS_VOID
    return row["outcome"] != PASS and not is_gone


def _stages(items: Iterable[Row], criteria: Iterable[CriteriaSet]) -> dict[str, str]:
    """Return the titles of the stages of every version; of a position that none of them knows there is the id only."""
    known = {key: one.gates[key].title for one in criteria for key in one.stages}
    positions = sorted({row["stage"] for row in items if row["stage"] is not None} - set(known))
    return known | {key: key.replace("_", " ") for key in positions}


def _live(decisions: Sequence[Row]) -> list[Row]:
    return [row for row in decisions if row["state"] != IS_VOID]


def _before(latest: Row, decisions: Sequence[Row]) -> Row | None:
    """Return the decision before the latest on its stage; one on a battery that was corrected since tells no trend."""
    own = [row for row in decisions if row["target_stage"] == latest["target_stage"] and row["id"] != latest["id"]]
    return next((row for row in reversed(own) if row["battery_state"] in {None, IS_STANDING}), None)


def _item(
    row: Row,
    decisions: Sequence[Row],
    said: Mapping[str, Any],
    criteria: Mapping[str, CriteriaSet],
    today: date,
) -> dict[str, Any]:
    live = _live(decisions)
    latest = live[-1] if live else None
    known = criteria[latest["criteria_digest"]] if latest else None
    stage = supported(decisions, criteria)
    return {
        **{key: row[key] for key in ("athlete_id", "athlete_ref", "condition", "involved_side", "onset_on")},
        "days": _days_since(row["onset_on"], today),
        "episode_id": row["id"],
        "stage": row["stage"],
        "participation": row["participation"],
        "lapsed": has_lapsed(row["position_until"], today),
        "supported_stage": stage,
        "step_back": _is_step_back(row["stage"], stage, known),
        "open_findings": row["open_findings"],
        "latest": None if latest is None else _latest(latest, _before(latest, live), said, today),
        "due": None if row["due_on"] is None else _due(row, today),
        "titles": {} if known is None else {key: gate.title for key, gate in known.gates.items()},
        "place": -1 if known is None or row["stage"] not in known.stages else known.stages.index(row["stage"]),
    }


def _days_since(onset: str | None, today: date) -> int | None:
    """Return how many days ago an episode began, None where only the month is known."""
    is_day = onset is not None and len(onset) == len("2026-11-20")
    return (today - date.fromisoformat(str(onset))).days if is_day else None


def _latest(row: Row, before: Row | None, said: Mapping[str, Any], today: date) -> dict[str, Any]:
    summary: str = said[row["id"]]["advice"]["summary"]
    return {
        "id": row["id"],
        "outcome": row["outcome"],
        "target_stage": row["target_stage"],
        "hold_because": [kind for kind in HOLD_KINDS if row[kind]],
        "summary": summary.split(": ", 1)[1],
        "unmet": row["unmet"],
        "trend": _trend(row, before),
        "standing": standing_view(row, today),
    }


def _trend(latest: Row, before: Row | None) -> str:
    """Return how a decision compares with the one before it, by the criteria that are not met."""
    if before is None:
        return FIRST
    if latest["unmet"] == before["unmet"]:
        return SAME
    return BETTER if latest["unmet"] < before["unmet"] else WORSE


def _due(row: Row, today: date) -> dict[str, Any]:
    last_day = row["due_on"] + timedelta(days=row["window_days"])
    return {"kind": row["task_kind"], "on": row["due_on"], "overdue": today > last_day}


def _is_step_back(position: str | None, stage: str | None, criteria: CriteriaSet | None) -> bool:
    """Tell whether the decisions on record support less than the position; without one they say nothing."""
    if position is None or criteria is None or position not in criteria.stages:
        return False
    return stage not in criteria.stages or criteria.stages.index(stage) < criteria.stages.index(position)
