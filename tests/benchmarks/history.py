"""How long a page of the history takes: `.venv/bin/python tests/benchmarks/history.py [--decisions N] [--json]`.

An organisation of 1,000 decisions, then another of N (1,000,000 where nothing is said) in the same database: a fresh
SQLite file, or the migrated PostgreSQL of `--database`. One athlete has every tenth decision, and so has one criterion
that was not met, so that there is a 1,000th page of each. A page is 50 decisions as `list_decisions` answers them, with
the note in the audit log; the figure beside it is against the first page of the small organisation. Rows are inserted
by themselves, without a record that would verify. Times are measured here and never asserted in tests.
"""

import argparse
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # for tests.clinic, whose organisation serves here too

from service.domain.codes import HOLD_KINDS
from service.store import history, tables
from service.store.database import Tx
from service.store.ids import new_id
from service.store.migrating import upgrade
from service.use_cases.context import Caller, Context
from service.use_cases.history import list_decisions
from tests.clinic import SET, Clinic, adopt, ankle_set
from tests.world import new_world

FEW, MANY = 1_000, 1_000_000
LIMIT, REPEATS = 50, 25
PAGES = (1, 20, 1_000)
EVERY = 10  # decision is of the one athlete; the criterion is not met in as many others
ATHLETES = 1_000
CHUNK = 10_000
CRITERION, SPREAD = "side-hop-floor", ("eversion-symmetry", "heel-rise-symmetry", "confidence-of-seven")
FIRST, APART = datetime.fromisoformat("2016-01-01T00:00:00+00:00"), timedelta(seconds=300)
DIGEST = f"sha256:{'0' * 64}"

Row = dict[str, Any]


# The rows


def people(clinic: Clinic) -> list[tuple[str, str]]:
    """Insert athletes with one episode each; the first one is the one that is asked for."""
    organisation, ids = clinic.world.organisation, [(new_id(FIRST), new_id(FIRST)) for _ in range(ATHLETES)]
    of = {"organisation_id": organisation}
    athletes = [of | {"id": one, "ref": f"A-{place}", "entries": 0} for place, (one, _) in enumerate(ids)]
    episodes = [
        of | {"id": episode, "athlete_id": one, "ref": f"E-{place}", "condition": "lateral_ankle_sprain"}
        for place, (one, episode) in enumerate(ids)
    ]
    insert(clinic.world.context, {tables.athletes: athletes, tables.episodes: episodes})
    return ids


def decision_rows(clinic: Clinic, ids: list[tuple[str, str]], place: int) -> Iterator[tuple[sa.Table, Row]]:
    """Yield the entry, the decision and the unmet criterion of one place in the history."""
    at = FIRST + place * APART
    who = 0 if place % EVERY == 0 else 1 + place % (ATHLETES - 1)
    athlete, episode = ids[who]
    own = {"organisation_id": clinic.world.organisation, "id": new_id(at), "athlete_id": athlete, "episode_id": episode}
    yield tables.record_entries, own | entry_of(clinic, at, place)
    yield tables.decisions, own | decision_of(clinic, at, place)
    if place % 3:
        yield (
            tables.unmet_criteria,
            {
                "organisation_id": own["organisation_id"],
                "decision_id": own["id"],
                "criterion_id": CRITERION if place % EVERY == 1 else SPREAD[place % len(SPREAD)],
                "status": "not_assessed" if place % 4 == 0 else "not_met",
                "decided_at": at,
            },
        )


def entry_of(clinic: Clinic, at: datetime, place: int) -> Row:
    return {
        "sequence": place + 1,
        "kind": "decision",
        "occurred_at": at,
        "occurred_on": at.date(),
        "recorded_at": at,
        "actor_id": clinic.world.submitter.actor,
        "format": 1,
        "document": "{}",
        "document_digest": DIGEST,
        "private_digest": DIGEST,
        "digest": DIGEST,
    }


def decision_of(clinic: Clinic, at: datetime, place: int) -> Row:
    is_hold = place % 3 > 0
    return {
        "sequence": place + 1,
        "target_stage": "team_training",
        "condition": "lateral_ankle_sprain",
        "set_id": SET,
        "version": 1,
        "as_of": at,
        "decided_at": at,
        "outcome": "hold" if is_hold else "pass",
        **{kind: is_hold and kind == "not_met" for kind in HOLD_KINDS},
        "state": "superseded" if place % 2 else "standing",
        "posted_by": clinic.world.submitter.actor,
    }


def insert(context: Context, rows: Mapping[sa.Table, list[Row]]) -> None:
    def write(tx: Tx) -> None:
        for table in tables.METADATA.sorted_tables:
            if rows.get(table):
                tx.execute(sa.insert(table), rows[table])

    context.database.write(write)


def filled(url: str, count: int) -> tuple[Clinic, str]:
    """Return a new organisation with so many decisions, and the athlete who has every tenth of them."""
    clinic = Clinic(new_world(url, at=(FIRST + count * APART).isoformat()))
    adopt(clinic.world, ankle_set(), "2010-01-01")
    ids = people(clinic)
    for places in chunks(count):
        rows: dict[sa.Table, list[Row]] = {}
        for place in places:
            for table, row in decision_rows(clinic, ids, place):
                rows.setdefault(table, []).append(row)
        insert(clinic.world.context, rows)
        print(f"\r{places[-1] + 1:,} of {count:,} decisions", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if not clinic.world.context.database.is_sqlite:  # which PostgreSQL does by itself after a while
        with clinic.world.context.database.engine.begin() as tx:
            tx.exec_driver_sql("ANALYZE decisions, unmet_criteria, athletes, episodes, criteria_versions")
    return clinic, ids[0][0]


def chunks(count: int) -> Iterator[range]:
    return (range(start, min(start + CHUNK, count)) for start in range(0, count, CHUNK))


# The pages


def place_before(context: Context, caller: Caller, asked: Mapping[str, Any], page: int) -> Any:
    """Return the place after which a page begins, None for the first page, False where there is no such page."""
    if page == 1:
        return None
    wanted = history.Wanted(today=date(2016, 1, 1), **asked)
    size = (page - 1) * LIMIT
    query = history.page_query(caller.organisation, wanted, after=None, limit=size + 1)

    def read(tx: Tx) -> Any:
        rows = tx.execute(query).all()
        return (rows[size - 1].decided_at, rows[size - 1].id) if len(rows) > size else False

    return context.database.read(read)


def milliseconds(context: Context, caller: Caller, asked: Mapping[str, Any], after: Any) -> float:
    """Return the median time of a page."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        found = list_decisions(context, caller, asked, after=after, limit=LIMIT)
        times.append(time.perf_counter() - start)
        assert found.items
    return statistics.median(times) * 1000


def measured(clinic: Clinic, athlete: str) -> dict[str, dict[int, float]]:
    """Return how long each page takes by what is asked."""
    asked: dict[str, dict[str, Any]] = {
        "organisation": {},
        "athlete": {"athlete": athlete},
        "criterion": {"criterion": CRITERION},
        "criterion and status": {"criterion": CRITERION, "status": "not_met"},
    }
    context, caller = clinic.world.context, clinic.world.clinician
    times: dict[str, dict[int, float]] = {}
    for name, one in asked.items():
        for page in PAGES:
            after = place_before(context, caller, one, page)
            if after is not False:
                times.setdefault(name, {})[page] = round(milliseconds(context, caller, one, after), 2)
    return times


def main() -> None:
    """Fill, measure, and print a table or JSON."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--decisions", type=int, default=MANY, metavar="N")
    options.add_argument("--database", metavar="URL", help="a migrated database; a fresh SQLite file if left out")
    options.add_argument("--json", action="store_true", help="print JSON")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        url = chosen.database or f"sqlite:///{folder}/record.sqlite"
        if not chosen.database:
            upgrade(url)
        few, many = (measured(*filled(url, count)) for count in (FEW, chosen.decisions))
    if chosen.json:
        json.dump({"decisions": chosen.decisions, "ms": {str(FEW): few, str(chosen.decisions): many}}, sys.stdout)
        return
    for name, pages in many.items():
        first = few[name][1]
        print(f"by {name}: the first page of {FEW:,} takes {first:.2f} ms")
        for page, took in pages.items():
            print(f"{took:10.2f} ms  {took / first:5.2f} x  page {page:,} of {chosen.decisions:,}")


if __name__ == "__main__":
    main()
