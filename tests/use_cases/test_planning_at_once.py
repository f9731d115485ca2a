"""On PostgreSQL many write at once: what is posted in the very moment of a change is planned as it says."""

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest
import sqlalchemy as sa

from service.store.sending_tables import webhooks
from tests.clinic import new_clinic
from tests.reminders.due import add_webhook, held

PLAN_PATH, ZONE_PATH = "/v1/organisation/reminder-plan", "/v1/organisation"
PLAN = {"at": "09:30", "steps": [{"when": "on_day", "to": ["clinicians"]}]}
ZONE = {"name": "Invented clinic", "time_zone": "America/New_York"}
WAITING = sa.text(
    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
)


@pytest.fixture
def clinic(databases):
    with databases.copy("postgresql") as database:
        made = new_clinic(database.url)
        yield made
        made.world.context.database.close()


@pytest.mark.parametrize(
    ("path", "body", "on_day"),
    [(PLAN_PATH, PLAN, "2026-11-22T09:30:00+01:00"), (ZONE_PATH, ZONE, "2026-11-22T07:00:00-05:00")],
)
def test_what_is_posted_while_the_plan_or_the_time_zone_is_changed_follows_the_new_one(clinic, path, body, on_day):
    add_webhook(clinic, "https://receiver.example.org/", events="")
    tag = clinic.administrator.get(path).headers.get("ETag", "")
    engine = clinic.world.context.database.engine
    with ThreadPoolExecutor(2) as pool, engine.connect() as looking:

        def wait_for(count, *, unless):
            while not unless.done() and looking.execute(WAITING).scalar_one() < count:
                looking.rollback()

        with engine.begin() as holding:  # the webhook, which a post names once its reminders are planned
            holding.execute(sa.select(webhooks.c.id).with_for_update())
            posting = pool.submit(held, clinic)
            wait_for(1, unless=posting)
            changing = pool.submit(clinic.administrator.put, path, body, headers={"If-Match": tag})
            wait_for(2, unless=changing)
        task, answer = posting.result(), changing.result()

    assert answer.status_code == 200, answer.text
    planned = {one["step"]: one["at"] for one in clinic.found("reminders", task_id=task["id"])}
    assert planned["on_day"] == datetime.fromisoformat(on_day)
