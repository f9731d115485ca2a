"""What a mail says: the tasks that a person is reminded of, as they are when it is sent."""

import json
from typing import Any

from service.store import sending
from service.store.database import Tx
from service.store.sending import Claimed
from service.store.task_state import CLOSED
from service.store.tasks import LAPSED
from service.use_cases.context import Context
from service.use_cases.retests import task_view


def digest_of(context: Context, one: Claimed) -> dict[str, Any]:
    """Return what a digest says now.

    Returns:
        `{organisation, tasks}`: what the organisation is called, and those of the digest's tasks that can still be
        done, the first due first; each as `task_view` shows it.
    """
    named = json.loads(one.document)["data"]["tasks"]
    now = context.clock()

    def read(tx: Tx) -> dict[str, Any]:
        organisation = sending.organisation_of(tx, one.organisation)
        today = now.astimezone(organisation.zone).date()
        rows = sending.digest_tasks(tx, one.organisation, [task["task_id"] for task in named])
        tasks = [task_view(row, today) for row in rows]
        return {
            "organisation": organisation.name,
            "tasks": [task for task in tasks if task["status"] not in (CLOSED, LAPSED)],
        }

    return context.database.read(read)
