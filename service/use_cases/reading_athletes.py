"""An athlete as a clinician reads them on one page: every episode with its time line and its measurements over time.

All of it follows from the record, read once: the rows of the current state are made from it, as a post makes them.
"""

from collections.abc import Iterator, Mapping
from types import SimpleNamespace
from typing import Any

from service.domain import record
from service.domain.chain import ERASURE, Link
from service.domain.criteria import CriteriaSet
from service.domain.errors import NotFoundError
from service.domain.standing import STANDING
from service.domain.words import short_label
from service.store import history
from service.store.database import Tx
from service.store.state import IS_VOID, State, state_of
from service.store.task_state import OPEN
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import standing_view
from service.use_cases.reads import Seen, watched
from service.use_cases.retests import task_view
from service.use_cases.showing_people import ATHLETE, Looking, exceptions_view, facts_of, finding_view

_NOT_SHOWN = {"athlete_ref": None, "reminded_at": None}
"""Of a task: the page has the athlete's ref once, and the record knows nothing of reminders."""


def read_athlete(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return an athlete with every episode, the open ones first and the latest onset first among them.

    Raises:
        NotFoundError: there is none, or nothing is on record.
    """
    now = context.clock()

    def read(tx: Tx) -> Seen:
        looking = Looking(tx, caller, now, id_)
        if not looking.chain:
            raise NotFoundError(ATHLETE, id_)
        rows = state_of(looking.chain, history.standings(tx, caller.organisation, id_))
        [athlete] = rows["athletes"].values()
        episodes = sorted(rows["episodes"].values(), key=lambda row: (row["onset_on"] or "", row["id"]), reverse=True)
        shown = [_episode(looking, rows, row) for row in sorted(episodes, key=lambda row: row["closed_on"] is not None)]
        cautions = {one["latest"]["digest"]: one["latest"]["caution"] for one in shown if one["latest"]}
        answer = {
            "id": id_,
            "is_erased": any(one.kind == ERASURE for one in looking.chain),
            **{key: athlete[key] for key in ("ref", "birth_year", "sex", "dominant_leg")},
            "episodes": shown,
            "cautions": list(cautions.values()),
        }
        return Seen(answer, id_, id_)

    return watched(context, caller, read, action="read_athlete", kind=ATHLETE)


def _episode(looking: Looking, rows: State, row: Mapping[str, Any]) -> dict[str, Any]:
    own = [one for one in looking.chain if one.episode == row["id"]]
    decided = [one for one in own if one.kind == record.DECISION and one.content]
    criteria = looking.criteria(own)
    return {
        **facts_of(looking, SimpleNamespace(**row)),
        "criteria": criteria,
        "findings": [
            finding_view(looking, SimpleNamespace(**one))
            for one in rows["findings"].values()
            if one["episode_id"] == row["id"]
        ],
        "exceptions": exceptions_view(looking, own),
        "tasks": [
            task_view({**one, **_NOT_SHOWN, "episode_ref": row["ref"]}, looking.today)
            for one in rows["tasks"].values()
            if one["episode_id"] == row["id"] and one["state"] == OPEN
        ],
        "latest": _latest(looking, rows, row["current_decision_id"], criteria),
        "timeline": looking.timeline(own, criteria),
        "ended": dict(_ended(looking, rows, decided)),
        "assessments": {one.id for one in own if one.kind == record.BATTERY and _is_assessment(one)},
        "series": list(_series(looking, rows, row["current_decision_id"], decided, criteria)),
    }


def _ended(looking: Looking, rows: State, decided: list[Link]) -> Iterator[tuple[str, str]]:
    """Yield the decisions that stand no more, each with what has become of it."""
    for one in decided:
        state = standing_view(rows["decisions"][(one.id,)], looking.today)["state"]
        if state != STANDING:
            yield one.id, state


def _is_assessment(link: Link) -> bool:
    return bool(link.content) and link.content["kind"] == record.ASSESSMENT


def _latest(looking: Looking, rows: State, id_: str | None, criteria: CriteriaSet | None) -> dict[str, Any] | None:
    if id_ is None or criteria is None:
        return None
    row, said = rows["decisions"][(id_,)], looking.of(id_).content
    return {
        "id": id_,
        "outcome": row["outcome"],
        "target_stage": row["target_stage"],
        "summary": said["advice"]["summary"],
        "standing": standing_view(row, looking.today),
        "as_of": said["verdict"]["as_of"],
        "digest": criteria.digest,
        "caution": criteria.document["caution"],
    }


def _series(
    looking: Looking, rows: State, latest: str | None, decided: list[Link], criteria: CriteriaSet | None
) -> Iterator[dict[str, Any]]:
    """Yield each criterion with what it came to in the decisions that are not void, in the order of their dates."""
    asked = set() if latest is None else {row[0] for row in looking.of(latest).content["verdict"]["reasons"]}
    points: dict[str, dict[str, dict[str, Any]]] = {}
    for one in sorted(decided, key=lambda link: (link.occurred_at, link.sequence)):
        if rows["decisions"][(one.id,)]["state"] == IS_VOID:
            continue
        verdict = one.content["verdict"]["reasons"]
        for row, said in zip(verdict, one.content["advice"]["reasons"], strict=True):
            if said["measured"] and said["threshold"] and said["inputs"]:
                # A morning judges the same test again: the last word on a date is the one that is drawn.
                points.setdefault(row[0], {})[one.occurred_on.isoformat()] = {
                    "on": one.occurred_on,
                    "value": said["measured"]["value"],
                    "unit": said["measured"]["unit"],
                    "status": row[2],
                    "threshold": said["threshold"],
                }
    for key, by_date in points.items():
        if criteria is not None and key in criteria.criteria:
            title = short_label(key, criteria)
            yield {"criterion": key, "title": title, "in_latest": key in asked, "points": list(by_date.values())}
