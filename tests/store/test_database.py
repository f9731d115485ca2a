"""One way to write and one to read, on both databases."""

import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta, timezone

import pytest
import sqlalchemy as sa

from service.domain.errors import DatabaseUnavailableError
from service.store import people
from service.store.database import Database
from service.store.ids import new_id
from service.store.tables import athletes
from service.store.types import UtcMoment
from tests.world import new_world

THREADS, TIMES = 8, 25


@pytest.fixture
def world(database_url):
    return new_world(database_url)


def zone_of(world):
    query = sa.text("SELECT time_zone FROM organisations WHERE id = :id")
    key = world.organisation.replace("-", "") if world.context.database.is_sqlite else world.organisation
    return world.context.database.read(lambda tx: tx.execute(query, {"id": key}).scalar_one())


def set_zone(world, zone):
    key = world.organisation.replace("-", "") if world.context.database.is_sqlite else world.organisation
    query = sa.text("UPDATE organisations SET time_zone = :zone WHERE id = :id")
    return lambda tx: tx.execute(query, {"zone": zone, "id": key})


def test_a_write_that_fails_leaves_nothing(world):
    def work(tx):
        set_zone(world, "Asia/Tokyo")(tx)
        raise LookupError

    with pytest.raises(LookupError):
        world.context.database.write(work)
    assert zone_of(world) == "Europe/Berlin"


def test_what_was_answered_is_on_the_disk(tmp_path):
    """In a process of its own, since this one waits for no disk."""
    asked = (
        "from service.store.database import Database\n"
        f"asked = Database('sqlite:///{tmp_path / 'record.sqlite'}')\n"
        "print(*(asked.write(lambda tx: tx.exec_driver_sql(f'PRAGMA {one}').scalar_one())"
        " for one in ('synchronous', 'journal_mode')))\n"
    )
    ran = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)

    full = 2
    assert ran.stdout.split() == [str(full), "wal"]


def test_a_read_can_not_write(world):
    if world.context.database.is_sqlite:
        return
    with pytest.raises(sa.exc.DBAPIError):
        world.context.database.read(set_zone(world, "Asia/Tokyo"))


def test_writers_of_one_row_wait_for_each_other(world):
    database = world.context.database
    now = world.clock()
    athlete = new_id(now)
    database.write(lambda tx: people.make_athlete(tx, world.organisation, athlete, "KB-1"))

    def work(tx):
        where = (athletes.c.organisation_id == world.organisation, athletes.c.id == athlete)
        count = tx.execute(sa.select(athletes.c.entries).where(*where).with_for_update()).scalar_one()
        tx.execute(sa.update(athletes).where(*where).values(entries=count + 1))

    def run():
        for _ in range(TIMES):
            database.write(work)

    threads = [threading.Thread(target=run) for _ in range(THREADS)]
    [one.start() for one in threads]
    [one.join() for one in threads]

    found = database.read(lambda tx: people.athlete(tx, world.organisation, athlete))
    assert found.entries == THREADS * TIMES


def test_a_write_inside_a_write_is_refused_where_it_would_wait_for_itself(world):
    database = world.context.database
    if not database.is_sqlite:
        return
    with pytest.raises(RuntimeError, match="inside a write"):
        database.write(lambda _tx: database.write(lambda _: None))


@pytest.mark.parametrize("url", ["sqlite:////nowhere/at/all.sqlite", "postgresql+psycopg://nobody@127.0.0.1:1/none"])
def test_a_database_that_is_not_there_is_unavailable(url):
    database = Database(url)

    with pytest.raises(DatabaseUnavailableError):
        database.read(lambda tx: tx.execute(sa.text("SELECT 1")))


def test_a_database_that_is_not_there_can_not_be_settled():
    with pytest.raises(DatabaseUnavailableError):
        Database("sqlite:////nowhere/at/all.sqlite").settle()


def test_a_moment_comes_back_as_it_was_in_utc(world):
    moment = datetime(2026, 3, 29, 3, 0, 0, 123456, tzinfo=timezone(timedelta(hours=2)))
    query = sa.select(sa.cast(sa.bindparam("moment", moment, UtcMoment()), UtcMoment()))
    if world.context.database.is_sqlite:
        query = sa.select(sa.bindparam("moment", moment, UtcMoment()))

    found = world.context.database.read(lambda tx: tx.execute(query).scalar_one())

    assert found == moment
    assert found.tzinfo == UTC


def test_a_naive_moment_is_refused(world):
    naive = datetime(2026, 3, 29, 3, 0, 0)  # noqa: DTZ001 - this is what is refused
    query = sa.select(sa.bindparam("moment", naive, UtcMoment()))

    with pytest.raises(sa.exc.StatementError, match="offset"):
        world.context.database.read(lambda tx: tx.execute(query))


def test_ids_sort_by_the_moment_at_which_they_were_made():
    start = datetime(2026, 11, 20, tzinfo=UTC)
    ids = [new_id(start + timedelta(milliseconds=place)) for place in range(50)]

    assert sorted(ids) == ids
    assert {one[14] for one in ids} == {"7"}
