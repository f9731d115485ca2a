"""What is due in tests, and to whom it is told: rows of webhooks, addresses of people, as many tasks as are wanted."""

from datetime import UTC, date, datetime, timedelta
from ipaddress import ip_network
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from service.store.database import Tx
from service.store.people import make_athlete
from service.store.sending_tables import webhooks
from service.store.tables import actors, tasks
from service.use_cases.reminding import follow
from tests.builders import SESSION_CHECK
from tests.clinic import Clinic, small

LOOPBACK = (ip_network("127.0.0.0/8"),)
SECRET = "whsec_Y3JpdGVyaWEtc2VydmljZS10ZXN0LXZlY3Rvci0zMmI="  # noqa: S105 - invented
NOW = datetime.fromisoformat("2026-11-20T18:00:00+01:00")


def add_webhook(clinic: Clinic, url: str, events: str = "task.due", **columns: Any) -> str:
    row = {"organisation_id": clinic.world.organisation, "id": str(uuid4()), "url": url, "events": events}
    row |= {"secret": SECRET, "state": "on", "revision": 1, "created_at": NOW, "updated_at": NOW} | columns
    clinic.world.context.database.write(lambda tx: tx.execute(sa.insert(webhooks), row))
    return str(row["id"])


def add_mail(clinic: Clinic, role: str, email: str) -> None:
    actor = clinic.world.callers[role].actor
    change = sa.update(actors).where(actors.c.id == actor).values(email=email)
    clinic.world.context.database.write(lambda tx: tx.execute(change))


def held(clinic: Clinic, at: str | None = None, **changes: Any) -> dict[str, Any]:
    """A hold that proposes a retest; its task."""
    when = {"at": at} if at else {}
    made = clinic.post_battery(
        small(**{"ref": "A", **when, "session_check": SESSION_CHECK | {"limp": True}, **changes})
    )
    return clinic.row("tasks", kind="retest", decision_id=made["id"])


def add_tasks(clinic: Clinic, count: int, due_on: date) -> list[str]:
    """Open tasks of a new athlete without a record, as many as are wanted, with their reminders; their ids."""
    organisation, athlete = clinic.world.organisation, str(uuid4())
    row = {"organisation_id": organisation, "athlete_id": athlete, "episode_id": None, "kind": "check_in"}
    row |= {"due_on": due_on, "window_days": 0, "state": "open", "updated_at": NOW}
    rows = [{**row, "id": str(uuid4())} for _ in range(count)]

    def work(tx: Tx) -> None:
        make_athlete(tx, organisation, athlete, f"Invented {athlete[:8]}")
        tx.execute(sa.insert(tasks), rows)
        after = {one["id"]: one for one in rows}
        follow(tx, organisation, clinic.world.clock(), before={}, after=after)

    clinic.world.context.database.write(work)
    return [str(one["id"]) for one in rows]


def add_due(clinic: Clinic, count: int) -> list[str]:
    """As many tasks, due three days ago by the real clock and planned a week before, when nobody looked; their ids.

    Of each the latest step of three is useful still.
    """
    now = datetime.now(UTC)  # noqa: TID251 - processes look at the real clock
    clinic.world.at(now - timedelta(days=10))
    return add_tasks(clinic, count, (now - timedelta(days=3)).date())
