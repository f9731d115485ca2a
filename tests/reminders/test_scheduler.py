"""The tick in this process: it goes on whatever the clock does."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from threading import Event

from service.reminders.scheduler import running
from service.settings import Settings
from tests.cli.serving import SECONDS
from tests.clinic import Clinic
from tests.reminders.due import LOOPBACK, add_due, add_webhook
from tests.reminders.receivers import receiver
from tests.world import new_world


def test_a_clock_that_is_put_back_by_a_day_does_not_stop_the_tick_for_a_day(own_database):
    clinic, arrived = Clinic(new_world(own_database.url)), Event()
    now = datetime.now(UTC)  # noqa: TID251 - the ticks come by the real clock
    settings = replace(Settings(database_url=own_database.url), webhook_networks=LOOPBACK, tick_seconds=1)
    with receiver() as received:
        received.answer = lambda _: (arrived.set(), (204, {}))[1]
        add_webhook(clinic, received.url)
        [task] = add_due(clinic, 1)
        clinic.world.at(now + timedelta(days=1))
        with running(clinic.world.context, settings):
            clinic.world.at(now)
            assert arrived.wait(SECONDS)

    assert clinic.row("reminders", task_id=task, state="handed")["step"] == "overdue:1"
    assert clinic.row("deliveries")["state"] == "delivered"
    clinic.world.context.database.close()
