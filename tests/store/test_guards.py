"""The database itself refuses to change or remove what is append-only."""

from datetime import date

import pytest
import sqlalchemy as sa

from service.domain.chain import head_of, link
from service.domain.record import instant
from service.store import entries, people
from service.store.database import Database
from service.store.ids import new_id
from service.store.tables import APPEND_ONLY, METADATA, record_entries
from tests.databases import KINDS
from tests.world import new_world


@pytest.fixture(scope="module", params=KINDS)
def made(request, databases):
    with databases.copy(request.param) as made:
        yield made


@pytest.fixture
def owner(made):
    database = Database(made.owner_url)
    yield database
    database.close()


@pytest.fixture
def kept(made):
    """A record of two entries and its world."""
    world = new_world(made.url)
    now = world.clock()
    athlete = new_id(now)

    def work(tx):
        people.make_athlete(tx, world.organisation, athlete, "KB-1")
        links = []
        for place in range(2):
            links.append(
                link(
                    head_of(links),
                    organisation=world.organisation,
                    athlete=athlete,
                    id_=new_id(now),
                    kind="event",
                    episode=None,
                    occurred_at=instant(now),
                    occurred_on=now.date(),
                    recorded_at=instant(now),
                    actor=world.submitter.actor,
                    salt="salt",
                    document={"place": place},
                    private={"ref": "KB-1"},
                )
            )
        entries.add(tx, links)
        return links

    return world, athlete, world.context.database.write(work)


def refused(database, statement):
    with pytest.raises(sa.exc.DBAPIError), database.engine.begin() as tx:
        tx.exec_driver_sql(statement)


def something_else(column):
    if column.endswith("_at"):
        return "'2020-01-01T00:00:00.000000Z'"
    if column == "id" or column.endswith("_id"):
        return "'01a1f9e692807696996c2eeae45dd5c7'"
    return {"sequence": "99", "format": "9", "occurred_on": "'2020-01-01'"}.get(column, "'{}'")


@pytest.mark.usefixtures("kept")
def test_no_column_of_an_entry_can_be_set_to_something_else(owner):
    for column in record_entries.columns:
        refused(owner, f"UPDATE record_entries SET {column.name} = {something_else(column.name)}")


@pytest.mark.usefixtures("kept")
def test_rows_of_an_append_only_table_can_not_be_removed(owner):
    filled = []
    for table in APPEND_ONLY:
        with owner.engine.begin() as tx:
            is_filled = tx.execute(sa.select(METADATA.tables[table]).limit(1)).first() is not None
        if is_filled:
            filled.append(table)
            refused(owner, f"DELETE FROM {table}")
        if not owner.is_sqlite:
            refused(owner, f"TRUNCATE {table} CASCADE")

    assert {"record_entries", "audit_log"} <= set(filled)


@pytest.mark.usefixtures("kept")
def test_an_entry_can_not_be_replaced(owner):
    if not owner.is_sqlite:
        return
    columns = ", ".join(column.name for column in record_entries.columns)
    refused(owner, f"INSERT OR REPLACE INTO record_entries ({columns}) SELECT {columns} FROM record_entries")


def test_erasure_may_null_the_private_part_and_no_more(kept):
    world, athlete, links = kept

    world.context.database.write(
        lambda tx: entries.erase(tx, world.organisation, athlete, before=3, columns=["private"])
    )

    found = world.context.database.read(lambda tx: entries.read(tx, world.organisation, athlete))
    assert [one.private for one in found] == [None, None]
    assert [one.digest for one in found] == [one.digest for one in links]


def test_what_was_erased_can_not_be_written_again(kept, owner):
    world, athlete, _ = kept
    world.context.database.write(
        lambda tx: entries.erase(tx, world.organisation, athlete, before=3, columns=["private"])
    )

    refused(owner, "UPDATE record_entries SET private = '{}'")


def test_a_row_of_another_organisation_can_not_be_named(kept):
    world, athlete, links = kept
    other = new_world(world.url)

    def work(tx):
        row = {
            "organisation_id": other.organisation,
            "id": new_id(world.clock()),
            "athlete_id": athlete,
            "kind": "retest",
            "due_on": date(2026, 11, 22),
            "window_days": 2,
            "state": "open",
            "updated_at": world.clock(),
            "decision_id": links[0].id,
        }
        tx.execute(sa.insert(METADATA.tables["tasks"]).values(row))

    with pytest.raises(sa.exc.IntegrityError):
        world.context.database.write(work)
