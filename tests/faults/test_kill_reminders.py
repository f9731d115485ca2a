"""Kill -9 of schedulers while they remind: whatever is due arrives, under one id, and is recorded once.

Real processes, a real receiver and a real mail server. A few kills in every run; `pytest -m slow tests/faults` kills
forty times while 2,000 reminders are due. With `-s` the figures are printed.
"""

import contextlib
import json
import os
import random
import signal
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes
from typing import Any

import pytest
import sqlalchemy as sa

from service.store.database import Database
from service.store.sending_tables import deliveries, messages, reminders
from service.use_cases.context import CLINICIAN
from tests.cli.commands import ROOT
from tests.cli.serving import COMMAND, SECONDS, serving
from tests.clinic import Clinic
from tests.reminders.due import add_due, add_mail, add_webhook
from tests.reminders.receivers import Mailbox, Received, mail_server, receiver
from tests.world import new_world

SEED = 20_261_129
LEASE_SECONDS = 2.0
"""How long somebody may hold a claim here before the test moves it back, as if its five minutes were over."""


@dataclass(frozen=True)
class Size:
    """How many processes remind, how much is due in each of so many organisations, and how many kills there are."""

    dispatchers: int
    organisations: int
    each: int
    kills: int


FEW, MANY = Size(2, 3, 60, 3), Size(4, 20, 100, 40)


@dataclass
class Schedulers:
    """Processes that remind, the database that they share, and what they send to."""

    url: str
    received: Received
    box: Mailbox
    dispatchers: int
    running: list["subprocess.Popen[bytes]"] = field(default_factory=list)
    due: set[str] = field(default_factory=set)
    kills: int = 0
    left: int = 0
    held_since: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.database = Database(self.url)

    @property
    def settings(self) -> dict[str, str]:
        return {
            "RTS_DATABASE_URL": self.url,
            "RTS_WEBHOOK_NETWORKS": "127.0.0.0/8",
            "RTS_SMTP_URL": self.box.url,
            "RTS_MAIL_FROM": "rts@example.org",
            "RTS_TICK_SECONDS": "1",
            "RTS_LOG_LEVEL": "error",
        }

    def start(self) -> None:
        """Start as many as are missing, and wait for none: one may be killed before it does anything.

        Who left by itself, because the database was too busy to begin, is replaced as a supervisor would.
        """
        still = [one for one in self.running if one.poll() is None]
        self.left += len(self.running) - len(still)
        self.running = still
        while len(self.running) < self.dispatchers:
            environ = {**os.environ, **self.settings}
            self.running.append(subprocess.Popen([*COMMAND, "scheduler"], cwd=ROOT, env=environ))

    def kill(self, several: list["subprocess.Popen[bytes]"]) -> None:
        for one in several:
            one.kill()
            one.wait(SECONDS)
            self.running.remove(one)
        self.kills += len(several)

    def stop(self) -> list[int]:
        for one in self.running:
            one.terminate()
        codes = [one.wait(SECONDS) for one in self.running]
        self.running.clear()
        return codes

    def make_due(self, count: int) -> None:
        """A new organisation with a webhook and a reader of mails, for whom so many tasks are due."""
        clinic = Clinic(new_world(self.url))
        add_webhook(clinic, self.received.url)
        add_mail(clinic, CLINICIAN, "kim@example.org")
        self.due |= set(add_due(clinic, count))

    def wait(self, is_over: Callable[[], bool]) -> None:
        """Wait until something is so, and let the claims of who was killed run out meanwhile."""
        until = time.monotonic() + SECONDS
        while not is_over():
            assert time.monotonic() < until, self.read(sa.select(deliveries.c.state, deliveries.c.error))[:5]
            time.sleep(0.02)
            self.start()
            self._let_claims_run_out()

    def _let_claims_run_out(self) -> None:
        columns, now = deliveries.c, time.monotonic()
        held = self.read(sa.select(columns.claimed_by).where(columns.claimed_by.is_not(None)).distinct())
        self.held_since = {by: self.held_since.get(by, now) for (by,) in held}
        over = [by for by, since in self.held_since.items() if now - since > LEASE_SECONDS]
        if over:
            back = sa.update(deliveries).where(columns.claimed_by.in_(over)).values(next_at=columns.created_at)
            self.database.write(lambda tx: tx.execute(back))

    def is_all_settled(self) -> bool:
        open_ = sa.select(sa.func.count()).select_from(reminders).where(reminders.c.state == "handed")
        settled = sa.select(sa.func.count()).select_from(deliveries).where(deliveries.c.state != "waiting")
        all_ = sa.select(sa.func.count()).select_from(deliveries)
        [(handed,)], [(done,)], [(total,)] = self.read(open_), self.read(settled), self.read(all_)
        return bool(handed == len(self.due) and done == total)

    def read(self, query: sa.Select[Any]) -> list[Any]:
        return self.database.read(lambda tx: list(tx.execute(query)))


@contextlib.contextmanager
def schedulers(url: str, dispatchers: int) -> Iterator[Schedulers]:
    with receiver() as received, mail_server() as box:
        made = Schedulers(url, received, box, dispatchers)
        try:
            yield made
        finally:
            for one in made.running:
                one.kill()
                one.wait(SECONDS)
            made.database.close()


def kill_through(running: Schedulers, size: Size) -> None:
    """Kill again and again, each time after a number of messages, while one organisation after another has work."""
    draw = random.Random(SEED)  # noqa: S311 - the same numbers in every run
    running.start()
    left = size.organisations
    while left or running.kills < size.kills:
        if left:
            running.make_due(size.each)
            left -= 1
        arrived = len(running.received.requests)
        enough = min(arrived + draw.randint(0, size.each), len(running.due))
        running.wait(lambda enough=enough: len(running.received.requests) >= enough)
        running.kill(draw.sample(running.running, draw.choice((1, 1, 2, len(running.running)))))
        running.start()
    running.wait(running.is_all_settled)
    assert set(running.stop()) <= {0, -signal.SIGTERM}, "a process that has only begun to start leaves by the signal"


def assert_each_arrived_and_is_recorded_once(running: Schedulers, organisations: int) -> None:
    told = [json.loads(document)["data"] for (document,) in running.read(_messages("task.due"))]
    rows = running.read(sa.select(deliveries.c.channel, deliveries.c.state, deliveries.c.message_id))
    bodies: dict[str, set[bytes]] = {}
    for headers, body in running.received.requests:
        bodies.setdefault(headers["webhook-id"], set()).add(body)
    arrived = Counter(json.loads(body)["data"]["task_id"] for [body] in bodies.values())
    mails = Counter(message_from_bytes(one.content)["Message-ID"] for one in running.box.mails)

    recorded_twice = len(told) - len({one["task_id"] for one in told})
    lost = running.due - arrived.keys()
    on_the_wire = len(running.received.requests)
    print(  # noqa: T201 - the figures of the run
        f"\n{running.kills} kills, {running.left} left by themselves, {len(running.due)} due, "
        f"{on_the_wire} on the wire, {on_the_wire - len(bodies)} repeated there, "
        f"{recorded_twice} recorded twice, {len(lost)} lost; "
        f"{len(mails)} digests, {mails.total() - len(mails)} repeated"
    )
    assert (recorded_twice, lost) == (0, set())
    assert set(arrived.values()) == {1}, "one task has one id"
    assert bodies.keys() == {f"msg_{id_.replace('-', '')}" for channel, _, id_ in rows if channel == "webhook"}
    assert Counter((channel, state) for channel, state, _ in rows) == {
        ("webhook", "delivered"): len(running.due),
        ("email", "delivered"): organisations,
    }
    assert len(mails) == organisations
    steps = Counter(running.read(sa.select(reminders.c.step, reminders.c.state)))
    expected = {"before:2": "too_late", "on_day": "too_late", "overdue:1": "handed", "overdue:7": "planned"}
    assert steps == {(step, state): len(running.due) for step, state in expected.items()}


def _messages(type_: str) -> sa.Select[Any]:
    return sa.select(messages.c.document).where(messages.c.type == type_)


def test_what_is_due_outlives_kills(own_database):
    with schedulers(own_database.url, FEW.dispatchers) as running:
        kill_through(running, FEW)
        assert_each_arrived_and_is_recorded_once(running, FEW.organisations)


def test_a_postgresql_that_stops_and_comes_back_while_reminders_are_sent_loses_none(own_server):
    server, database = own_server
    with schedulers(database.url, 0) as running, serving("scheduler", environ=running.settings) as process:
        running.make_due(FEW.each)
        running.wait(lambda: len(running.received.requests) >= FEW.each // 4)

        server.stop()
        server.start()

        running.wait(running.is_all_settled)
        assert process.stop() == 0, "it went on by itself"
        assert_each_arrived_and_is_recorded_once(running, organisations=1)


@pytest.mark.slow
def test_two_thousand_reminders_outlive_forty_kills(own_database):
    with schedulers(own_database.url, MANY.dispatchers) as running:
        kill_through(running, MANY)
        assert_each_arrived_and_is_recorded_once(running, MANY.organisations)
