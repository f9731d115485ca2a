"""How fast reminders are handed over and sent: `.venv/bin/python tests/benchmarks/reminders.py [--database URL]`.

10,000 tasks of ten organisations are due. Four processes look at them together, on a fresh SQLite file
(`synchronous=FULL`) or on the migrated PostgreSQL database of `--database`, and hand them to the outbox; then four
processes send what stands there to a receiver on this machine, which answers at once.

Times are measured here and never asserted in tests; that nothing was handed over or recorded twice is checked.
"""

import argparse
import cProfile
import json
import multiprocessing
import pstats
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from service.reminders.sender import Sender
from service.reminders.webhook import WebhookSender
from service.store.database import Database
from service.store.migrating import upgrade
from service.store.sending_tables import deliveries, messages
from service.use_cases.context import Context
from service.use_cases.reminding import hand_due

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))  # for the tests' organisations, receivers and tasks that are due
PROCESSES, ORGANISATIONS, EACH = 4, 10, 1_000


def hand(context: Context) -> int:
    """Hand over what is due, until nothing is left that another process does not care for."""
    handed = 0
    while found := hand_due(context, has_mail=False):
        handed += found
    return handed


def send(context: Context) -> int:
    """Send what stands in the outbox."""
    from tests.reminders.due import LOOPBACK  # noqa: PLC0415

    sender, sent = Sender(context, WebhookSender(LOOPBACK, "0.0.0"), None), 0
    while found := sender.send_due():
        sent += found
    sender.close()
    return sent


def work(url: str, what: Callable[[Context], int], together: Any, done: Any, is_profiled: bool) -> None:  # noqa: FBT001
    """Do one process's share, and say how much that was and when it ended."""
    context = Context(Database(url), lambda: datetime.now(UTC), "0.0.0")  # noqa: TID251
    together.wait()
    began = time.monotonic()
    profile = cProfile.Profile()
    share = profile.runcall(what, context) if is_profiled else what(context)
    done.put((share, began, time.monotonic()))
    if is_profiled:
        pstats.Stats(profile, stream=sys.stderr).sort_stats("tottime").print_stats(25)
    context.database.close()


def by_all(url: str, what: Callable[[Context], int], is_profiled: bool) -> dict[str, Any]:  # noqa: FBT001
    """Return how much all processes did, and how long that took from the first one's start to the last one's end."""
    forked = multiprocessing.get_context("spawn")
    together, done = forked.Barrier(PROCESSES), forked.Queue()
    profiled = [is_profiled] + [False] * (PROCESSES - 1)
    processes = [forked.Process(target=work, args=(url, what, together, done, one)) for one in profiled]
    for one in processes:
        one.start()
    shares = [done.get() for _ in processes]
    for one in processes:
        one.join()
    seconds = max(end for _, _, end in shares) - min(began for _, began, _ in shares)
    total = sum(share for share, _, _ in shares)
    return {
        "total": total,
        "seconds": round(seconds, 2),
        "a second": round(total / seconds),
        "shares": [*sorted(one[0] for one in shares)],
    }


def prepare(url: str, receiver_url: str) -> None:
    """Make everything due."""
    from tests.clinic import Clinic  # noqa: PLC0415
    from tests.reminders.due import add_due, add_webhook  # noqa: PLC0415
    from tests.world import new_world  # noqa: PLC0415

    for _ in range(ORGANISATIONS):
        clinic = Clinic(new_world(url))
        add_webhook(clinic, receiver_url)
        add_due(clinic, EACH)


def receive(ready: Any) -> None:
    """Receive until the parent ends this process."""
    from tests.reminders.receivers import receiver  # noqa: PLC0415

    with receiver() as received:
        ready.put(received.url)
        multiprocessing.parent_process().join()


def measure(url: str, is_profiled: bool) -> dict[str, Any]:  # noqa: FBT001
    """Return the figures of both halves."""
    forked = multiprocessing.get_context("spawn")
    ready = forked.Queue()
    receiving = forked.Process(target=receive, args=(ready,), daemon=True)
    receiving.start()
    try:
        prepare(url, ready.get(timeout=60))
        found = {"handed": by_all(url, hand, is_profiled), "sent": by_all(url, send, is_profiled)}
    finally:
        receiving.terminate()
        receiving.join()
    once = recorded(url)
    if set(once.values()) != {ORGANISATIONS * EACH}:
        sys.exit(f"not each was recorded once: {once}")
    return found | {"recorded": once}


def recorded(url: str) -> dict[str, int]:
    """Return how many messages and deliveries there are."""
    database = Database(url)
    is_due, is_done = messages.c.type == "task.due", deliveries.c.state == "delivered"
    queries = {
        "messages": sa.select(sa.func.count()).select_from(messages).where(is_due),
        "delivered": sa.select(sa.func.count()).select_from(deliveries).where(is_done),
    }
    found = database.read(lambda tx: {name: int(tx.execute(query).scalar_one()) for name, query in queries.items()})
    database.close()
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--database", help="an empty migrated PostgreSQL database; by default a new SQLite file")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--profile", action="store_true", help="say where one of the processes spends its time")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = options.database or f"sqlite:///{folder}/record.sqlite"
        if options.database is None:
            upgrade(url)
        found = measure(url, options.profile)
    if options.json:
        print(json.dumps(found))
        return
    for name, one in found.items():
        print(f"{name:<10}", "  ".join(f"{key} {value}" for key, value in one.items()))


if __name__ == "__main__":
    main()
