"""What is due, as a page shows it: each task with its stage and why, and the cautions of the decisions behind them."""

from collections.abc import Mapping
from typing import Any

from service.domain.criteria import CriteriaSet
from service.store import tasks
from service.store.database import Tx
from service.store.task_state import OPEN, RETEST
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context
from service.use_cases.in_force import by_digest
from service.use_cases.reads import Seen, watched
from service.use_cases.retests import TASK, task_view

Row = Mapping[str, Any]


def read_due(
    context: Context, caller: Caller, *, limit: int, kind: str | None = None, status: str | None = None
) -> dict[str, Any]:
    """Return the open tasks, the first due first.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        limit: the most tasks.
        kind: of which kind; None for all.
        status: upcoming, due or overdue; None for all.

    Returns:
        `{items, is_cut, cautions}`: an item is a task with `decided`, `{set_id, stage, title, on, because}` of the
        decision that it comes from, None where nothing was decided on its battery; `because` is why a retest waits
        until its date. `is_cut` tells whether there are more than `limit`.
    """
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        wanted = tasks.Wanted(today=today, state=OPEN, kind=kind, status=status)
        rows = tasks.listed(tx, caller.organisation, wanted, after=None, limit=limit + 1)
        shown = rows[:limit]
        said = tasks.decided(tx, caller.organisation, shown)
        digests = sorted({one["verdict"]["criteria"] for one in said.values()})
        criteria = {one: by_digest(tx, caller.organisation, one) for one in digests}
        answer = {
            "items": [task_view(row, today) | {"decided": _decided(row, said, criteria)} for row in shown],
            "is_cut": len(rows) > limit,
            "cautions": [one.document["caution"] for one in criteria.values()],
        }
        return Seen(answer, detail=f"{len(shown)} shown")

    return watched(context, caller, read, action="list_tasks", kind=TASK)


def _decided(row: Row, said: Row, criteria: Mapping[str, CriteriaSet]) -> dict[str, Any] | None:
    one = said.get(row["decision_id"] or row["battery_id"])
    if one is None:
        return None
    verdict, retest = one["verdict"], one["advice"]["retest"]
    return {
        "set_id": one["criteria_set"]["id"],
        "stage": verdict["stage"],
        "title": criteria[verdict["criteria"]].gate(verdict["stage"]).title,
        "on": verdict["today"],
        "because": retest["because"] if retest is not None and row["kind"] == RETEST else None,
    }
