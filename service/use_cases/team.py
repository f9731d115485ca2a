"""The team: every open episode with its position, what the decisions support, what holds, and what is due next."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from service.domain.codes import HOLD_KINDS, PASS
from service.domain.criteria import CriteriaSet
from service.domain.words import short_label
from service.store import team as store
from service.store.database import Tx
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import standing_view
from service.use_cases.in_force import by_digest
from service.use_cases.reads import Seen, watched

EPISODE, VOID = "episode", "void"
FIRST, SAME, BETTER, WORSE = "first", "same", "better", "worse"
_STANDING = "standing"

Row = Mapping[str, Any]


def read_team(context: Context, caller: Caller) -> dict[str, Any]:
    """Return every open episode in short, by the athlete's ref, with the cautions of the decisions among them."""
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        episodes = store.open_episodes(tx, caller.organisation)
        rows = store.decisions_of_open(tx, caller.organisation)
        decided = {key: list(own) for key, own in groupby(rows, key=lambda row: row["episode_id"])}
        compared = {key: _last_two(own) for key, own in decided.items()}
        unmet = store.unmet(tx, caller.organisation, {row["id"] for pair in compared.values() for row in pair})
        criteria = {
            digest: by_digest(tx, caller.organisation, digest)
            for digest in sorted({row["criteria_digest"] for row in rows})
        }
        items = [
            _item(row, decided.get(row["id"], []), compared.get(row["id"], []), unmet, criteria, today)
            for row in episodes
        ]
        cautions = [one.document["caution"] for one in criteria.values()]
        return Seen({"items": items, "cautions": cautions}, detail=f"{len(items)} shown")

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
        if row["outcome"] == PASS and row["state"] == _STANDING and not held:
            found.append((level, row["sequence"], row["target_stage"]))
    return max(found)[2] if found else None


def _holds(row: Row) -> bool:
    """Tell whether a hold counts: a void one does as long as the battery that it was posted with does."""
    counts: bool = row["outcome"] != PASS and row["battery_state"] != VOID
    return counts


def _last_two(decisions: Sequence[Row]) -> list[Row]:
    """Return the latest decision that is not void, and the one before it on the same stage."""
    live = [row for row in decisions if row["state"] != VOID]
    if not live:
        return []
    before = [row for row in live[:-1] if row["target_stage"] == live[-1]["target_stage"]]
    return [live[-1], *before[-1:]]


def _item(  # noqa: PLR0913, PLR0917 - what a line of the page is made of
    row: Row,
    decisions: Sequence[Row],
    pair: Sequence[Row],
    unmet: Mapping[str, list[tuple[str, str]]],
    criteria: Mapping[str, CriteriaSet],
    today: date,
) -> dict[str, Any]:
    latest = pair[0] if pair else None
    known = criteria[latest["criteria_digest"]] if latest else None
    stage = supported(decisions, criteria)
    until = row["position_until"]
    last_day = None if row["due_on"] is None else row["due_on"] + timedelta(days=row["window_days"])
    return {
        **{key: row[key] for key in ("athlete_id", "athlete_ref", "condition", "involved_side", "onset_on")},
        "episode_id": row["id"],
        "stage": row["stage"],
        "participation": row["participation"],
        "lapsed": until is not None and today > until,
        "supported_stage": stage,
        "step_back": _is_step_back(row["stage"], stage, known),
        "open_findings": row["open_findings"],
        "latest": None if latest is None else _latest(latest, known, unmet, today),
        "trend": _trend(pair, unmet),
        "due": None
        if last_day is None
        else {"kind": row["task_kind"], "on": row["due_on"], "overdue": today > last_day},
        "titles": {} if known is None else {key: gate.title for key, gate in known.gates.items()},
        "place": -1 if known is None or row["stage"] not in known.stages else known.stages.index(row["stage"]),
    }


def _latest(
    row: Row, criteria: CriteriaSet | None, unmet: Mapping[str, list[tuple[str, str]]], today: date
) -> dict[str, Any]:
    names = [key for key, _status in unmet.get(row["id"], ())]
    assert criteria is not None, "a decision has a version"
    return {
        "id": row["id"],
        "outcome": row["outcome"],
        "target_stage": row["target_stage"],
        "hold_because": [kind for kind in HOLD_KINDS if row[kind]],
        "unmet": [short_label(key, criteria) for key in names if key in criteria.criteria],
        "standing": standing_view(row, today),
        "on": row["as_of"],
    }


def _is_step_back(position: str | None, stage: str | None, criteria: CriteriaSet | None) -> bool:
    """Tell whether the decisions on record support less than the position; without one they say nothing."""
    if position is None or criteria is None or position not in criteria.stages:
        return False
    return stage not in criteria.stages or criteria.stages.index(stage) < criteria.stages.index(position)


def _trend(pair: Iterable[Row], unmet: Mapping[str, list[tuple[str, str]]]) -> str | None:
    """Return how the latest decision compares with the one before it on its stage, by the criteria left unmet."""
    counts = [len(unmet.get(row["id"], ())) for row in pair]
    match counts:
        case []:
            return None
        case [_]:
            return FIRST
        case [now, before]:
            return SAME if now == before else BETTER if now < before else WORSE
    raise AssertionError
