"""Migrations: from nothing, again, several at once, and what they make is what the tables say."""

import subprocess
import sys
from contextlib import contextmanager
from dataclasses import replace

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.operations import Operations

from service.domain.errors import DatabaseUnavailableError
from service.store.database import Database
from service.store.migrating import MIGRATIONS, is_current, upgrade
from service.store.sending_tables import METADATA
from service.use_cases.context import Context
from tests import builders
from tests.clinic import Clinic, new_clinic, small
from tests.world import new_world

AT_ONCE = 4
LEAVING = {("tasks", "ical_sequence")}
"""Columns that only the release before writes; a migration of the next one drops them."""


@contextmanager
def opened(url, **settings):
    database = Database(url, **settings)
    try:
        yield database
    finally:
        database.close()


def current(url):
    with opened(url) as database:
        return is_current(database)


def count_of(table, url):
    with opened(url) as database:
        return database.read(lambda tx: tx.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar())


@pytest.fixture
def filled(own_database):
    """A database with an organisation, its actors and their keys."""
    world = new_world(own_database.url)
    yield own_database
    world.context.database.close()


def is_staying(one, name, kind, *_):
    return kind != "column" or (one.table.name, name) not in LEAVING


def test_a_migrated_database_has_the_tables_that_the_service_knows(own_database):
    with opened(own_database.owner_url) as database, database.engine.connect() as connection:
        opts = {"include_object": is_staying}
        assert compare_metadata(MigrationContext.configure(connection, opts=opts), METADATA) == []
    assert current(own_database.url)


def test_migrating_again_changes_nothing(filled):
    upgrade(filled.owner_url)

    assert count_of("organisations", filled.url) == 1


def test_several_migrators_of_one_new_database_make_it_once(tmp_path):
    url = f"sqlite:///{tmp_path / 'deep' / 'record.sqlite'}"
    program = (
        "from service.store import database; from service.store.migrating import upgrade; "
        f"database.WAIT_SECONDS = 240; upgrade({url!r})"
    )
    command = [sys.executable, "-c", program]

    running = [subprocess.Popen(command) for _ in range(AT_ONCE)]

    assert [one.wait() for one in running] == [0] * AT_ONCE
    assert current(url)


def test_a_database_that_is_not_migrated_says_what_to_do(tmp_path):
    with opened(f"sqlite:///{tmp_path / 'record.sqlite'}") as database:
        assert not is_current(database)
        with pytest.raises(DatabaseUnavailableError, match="db upgrade"):
            database.read(lambda tx: tx.execute(sa.text("SELECT * FROM athletes")))


def test_a_table_that_a_later_migration_rebuilds_keeps_its_rows_and_what_names_them(filled):
    keys = count_of("access_keys", filled.url)

    def rebuild(tx):
        with Operations(MigrationContext.configure(tx)).batch_alter_table("actors", recreate="auto") as batch:
            batch.alter_column("display_name", type_=sa.String(4000), existing_type=sa.Text)
        return tx.exec_driver_sql("PRAGMA foreign_key_check").fetchall() if tx.dialect.name == "sqlite" else []

    with opened(filled.owner_url, for_migration=True) as database:
        assert database.write(rebuild) == []

    assert count_of("access_keys", filled.url) == keys > 0


def made_older(file, revision):
    """Return the address of a record's copy in the tables of an older release: the columns that were there then."""
    older = file.with_name("older.sqlite")
    with opened(f"sqlite:///{older}", for_migration=True) as database:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["database"] = database
        command.upgrade(config, revision)
        inspector = sa.inspect(database.engine)
        tables = {name: [one["name"] for one in inspector.get_columns(name)] for name in inspector.get_table_names()}
        with database.engine.connect() as connection:
            connection.rollback()
            raw = connection.connection.driver_connection
            raw.execute("ATTACH DATABASE ? AS newer", (str(file),))
            for name, columns in tables.items():
                if name != "alembic_version":
                    named = ", ".join(columns)
                    raw.execute(f"INSERT INTO main.{name} ({named}) SELECT {named} FROM newer.{name}")
            raw.execute("DETACH DATABASE newer")
    return f"sqlite:///{older}"


def test_an_older_record_keeps_its_tasks_and_takes_reviews_of_overrides(tmp_path):
    file = tmp_path / "record.sqlite"
    url = f"sqlite:///{file}"
    upgrade(url)
    clinic = new_clinic(url)
    held = clinic.post_battery(small("A", session_check=builders.SESSION_CHECK | {"limp": True}))
    before = clinic.found("tasks")
    older = made_older(file, "0002")

    upgrade(older)

    clinic.world.context.database.close()
    context = Context(Database(older), clinic.world.clock, "0.0.0")
    clinic = Clinic(replace(clinic.world, url=older, context=context))
    assert before
    assert clinic.found("tasks") == before
    told = {"position": {"stage": "rebuild", "participation": "modified_training"}, "valid_until": "2026-11-27"}
    named = {"criteria_overridden": ["walks-without-limp"], "informed": ["head coach"]}
    said = {"determination": "override", "rationale": "an old limp", "conditions": "no contact", **told, **named}
    clinic.post(f"/v1/decisions/{held['id']}/sign-offs", {"decision_digest": held["digest"], **said})
    assert {one["kind"] for one in clinic.found("tasks")} == {"retest", "override_review"}
    clinic.assert_sound()
    clinic.world.context.database.close()
