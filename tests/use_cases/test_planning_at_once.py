"""On PostgreSQL many write at once: what is posted in the very moment of a change is planned as it says."""

from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest
import sqlalchemy as sa

from service.store.sending_tables import webhooks
from service.store.tables import organisations
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


CHANGES = [(PLAN_PATH, PLAN, "2026-11-22T09:30:00+01:00"), (ZONE_PATH, ZONE, "2026-11-22T07:00:00-05:00")]


class Looking:
    """Looks at who waits for a lock."""

    def __init__(self, connection):
        self.connection = connection

    def wait_until(self, count, one):
        """Until so many wait, of whom this is one."""
        while self.connection.execute(WAITING).scalar_one() < count:
            assert not one.done(), one.result()
            self.connection.rollback()


@pytest.fixture
def looking(clinic):
    with clinic.world.context.database.engine.connect() as connection:
        yield Looking(connection)


def put(clinic, path, body):
    """The answer to a change, which another thread waits for."""
    return clinic.administrator.put(path, body, headers={"If-Match": "*"})


def assert_planned(clinic, task, on_day):
    planned = {one["step"]: one["at"] for one in clinic.found("reminders", task_id=task["id"])}
    assert planned["on_day"] == datetime.fromisoformat(on_day)


@pytest.mark.parametrize(("path", "body", "on_day"), CHANGES)
def test_what_is_posted_while_a_change_waits_for_it_follows_the_change(clinic, looking, path, body, on_day):
    add_webhook(clinic, "https://receiver.example.org/", events="")
    with ThreadPoolExecutor(2) as pool:
        with clinic.world.context.database.engine.begin() as holding:
            # The webhook, which a post names once its reminders are planned.
            holding.execute(sa.select(webhooks.c.id).with_for_update())
            posting = pool.submit(held, clinic)
            looking.wait_until(1, posting)
            changing = pool.submit(put, clinic, path, body)
            looking.wait_until(2, changing)
        task, answer = posting.result(), changing.result()

    assert answer.status_code == 200, answer.text
    assert_planned(clinic, task, on_day)


@pytest.mark.parametrize(("path", "body", "on_day"), CHANGES)
def test_what_waits_for_a_change_to_be_posted_follows_it(clinic, looking, path, body, on_day):
    with ThreadPoolExecutor(2) as pool:
        with clinic.world.context.database.engine.begin() as holding:
            # The organisation, which a change locks once nobody adds to a record.
            holding.execute(sa.select(organisations.c.id).with_for_update(key_share=True))
            changing = pool.submit(put, clinic, path, body)
            looking.wait_until(1, changing)
            posting = pool.submit(held, clinic)
            looking.wait_until(2, posting)
        task, answer = posting.result(), changing.result()

    assert answer.status_code == 200, answer.text
    assert_planned(clinic, task, on_day)
