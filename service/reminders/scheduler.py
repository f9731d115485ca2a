"""The tick: every few seconds what is due is handed over and sent, in any number of processes.

APScheduler only ticks, from memory. What is due stands in the database and is claimed there, so that a tick that comes
late, twice or in several processes at once does no harm.
"""

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, timedelta
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler

from service.domain.errors import DatabaseUnavailableError
from service.reminders.sender import Sender, sender
from service.settings import Settings
from service.use_cases.context import Context
from service.use_cases.criteria_reviews import follow_everywhere
from service.use_cases.reminding import hand_due, plan_missing

_LOG = logging.getLogger("rts.reminders")


class Tick:
    """One look at what is due; called again and again."""

    def __init__(self, context: Context, sending: Sender) -> None:
        self._context = context
        self._sending = sending
        self._is_planned = False
        self._is_gone = False

    def __call__(self) -> None:
        """Hand over and send what is due; a fault is logged, and the next tick tries again."""
        try:
            self.look()
        except DatabaseUnavailableError as error:
            if not self._is_gone:
                _LOG.warning("nothing can be sent for now: %s", error)
            self._is_gone = True
        except Exception:  # noqa: BLE001 - whatever it was, the next tick comes
            _LOG.exception("a tick failed; the next one tries again")
        else:
            self._is_gone = False

    def look(self) -> None:
        """Hand over and send what is due.

        Raises:
            DatabaseUnavailableError: the database can't be reached.
        """
        if not self._is_planned:
            _catch_up(self._context)
            self._is_planned = True
        is_more = True
        while is_more:
            hand_due(self._context, has_mail=self._sending.has_mail)  # also while much is sent, to slow receivers
            is_more = self._sending.send_due() > 0


def _catch_up(context: Context) -> None:
    """Plan what a record lacks that is older than its tasks and reminders, or was restored."""
    follow_everywhere(context)
    plan_missing(context)


@contextmanager
def running(context: Context, settings: Settings) -> Iterator[None]:
    """Tick while the block runs; at its end what is being sent is finished."""
    logging.getLogger("apscheduler").setLevel(logging.ERROR)  # a tick that is skipped while one runs is no news
    with sender(context, settings) as sending:
        tick = Tick(context, sending)
        scheduler = BackgroundScheduler(timezone=UTC)
        job = scheduler.add_job(
            tick,
            "interval",
            seconds=settings.tick_seconds,
            next_run_time=context.clock(),
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
        )
        scheduler.start()
        is_over = threading.Event()
        watching = threading.Thread(target=_keep_near, args=(job, context, settings.tick_seconds, is_over))
        watching.start()
        try:
            yield
        finally:
            is_over.set()
            watching.join()
            sending.stop()
            scheduler.shutdown(wait=True)


def _keep_near(job: Any, context: Context, seconds: int, is_over: threading.Event) -> None:
    """Bring the next tick near again where the clock was put back: APScheduler would wait until it is that late."""
    while not is_over.wait(seconds):
        now = context.clock()
        if job.next_run_time > now + 2 * timedelta(seconds=seconds):
            job.modify(next_run_time=now)


def run_once(context: Context, settings: Settings) -> None:
    """Look once at what is due, and return when it was sent.

    Raises:
        DatabaseUnavailableError: the database can't be reached.
    """
    with sender(context, settings) as sending:
        Tick(context, sending).look()
