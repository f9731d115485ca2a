"""The databases that the tests are given are migrated, and the service's role there can do no more than it needs."""

import pytest
import sqlalchemy as sa

from service.store.database import Database
from service.store.migrating import is_current
from tests.databases import SERVING


@pytest.fixture
def database(database_url):
    opened = Database(database_url)
    yield opened
    opened.close()


def test_the_shared_database_is_migrated(database):
    assert is_current(database)


def test_a_database_of_ones_own_is_migrated_and_is_another(own_database, database_url):
    opened = Database(own_database.url)
    try:
        assert is_current(opened)
    finally:
        opened.close()
    assert own_database.url != database_url


def test_the_services_role_on_postgresql_owns_nothing_and_may_not_delete_the_record(databases):
    with databases.copy("postgresql") as made:
        service = Database(made.url)
        try:
            owned = "SELECT count(*) FROM pg_tables WHERE tableowner = current_user"
            assert service.read(lambda tx: tx.exec_driver_sql("SELECT current_user").scalar()) == SERVING
            assert service.read(lambda tx: tx.exec_driver_sql(owned).scalar()) == 0
            for refused in ("DELETE FROM record_entries", "TRUNCATE audit_log", "UPDATE record_entries SET sequence=1"):
                with pytest.raises(sa.exc.ProgrammingError, match="permission denied"):
                    service.write(lambda tx, statement=refused: tx.exec_driver_sql(statement))
        finally:
            service.close()
