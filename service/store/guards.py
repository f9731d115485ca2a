"""What the database itself refuses: to change or remove a row of an append-only table.

Erasure alone may null an entry's document, private part and salt. The statements are part of the first migration and
stand here by themselves, so that a migration that rebuilds a table makes them anew.
"""

from collections.abc import Iterator

import sqlalchemy as sa

from service.store.sending_tables import METADATA  # these know every table
from service.store.tables import APPEND_ONLY, ERASABLE

_REFUSED = "this table is append-only"
_RECORD = "record_entries"


def statements(connection: sa.Connection) -> Iterator[str]:
    """Yield the statements that guard every append-only table, as its columns are now."""
    inspector = sa.inspect(connection)
    if connection.dialect.name != "sqlite":
        yield from _postgresql_functions()
    for table in APPEND_ONLY:
        columns = [one["name"] for one in inspector.get_columns(table)]
        if connection.dialect.name == "sqlite":
            yield from _sqlite(table, columns, inspector.get_pk_constraint(table)["constrained_columns"])
        else:
            yield from _postgresql(table, columns)


def grants(role: str) -> Iterator[str]:
    """Yield what the serving role may do on PostgreSQL: never change or remove what is append-only."""
    yield f'GRANT USAGE ON SCHEMA public TO "{role}"'
    for table in METADATA.tables:
        rights = "SELECT, INSERT" if table in APPEND_ONLY else "SELECT, INSERT, UPDATE, DELETE"
        yield f'GRANT {rights} ON {table} TO "{role}"'
    yield f'GRANT UPDATE ({", ".join(ERASABLE)}) ON record_entries TO "{role}"'
    yield f'GRANT SELECT ON alembic_version TO "{role}"'


def _is_erasure(columns: list[str], same: str) -> str:
    """Return the condition under which an update of an entry is an erasure."""
    kept = [f"NEW.{name} {same} OLD.{name}" for name in columns if name not in ERASABLE]
    nulled = [f"(NEW.{name} IS NULL OR NEW.{name} {same} OLD.{name})" for name in ERASABLE]
    return " AND ".join([*kept, *nulled])


def _sqlite(table: str, columns: list[str], keys: list[str]) -> Iterator[str]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{_REFUSED}'); END"
    may_change = f" WHEN NOT ({_is_erasure(columns, 'IS')})" if table == _RECORD else ""
    key = " AND ".join(f"{name} = NEW.{name}" for name in keys)
    yield f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table}{may_change} {refuse}"
    yield f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}"
    # INSERT OR REPLACE would remove a row without asking the trigger above.
    exists = f" WHEN EXISTS (SELECT 1 FROM {table} WHERE {key})"
    yield f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table}{exists} {refuse}"


def _postgresql_functions() -> Iterator[str]:
    yield (
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_REFUSED}' USING ERRCODE = 'integrity_constraint_violation'; END $$"
    )


def _postgresql(table: str, columns: list[str]) -> Iterator[str]:
    may_change = f" WHEN (NOT ({_is_erasure(columns, 'IS NOT DISTINCT FROM')}))" if table == _RECORD else ""
    run = "EXECUTE FUNCTION refuse_change()"
    yield f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} FOR EACH ROW{may_change} {run}"
    yield f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} FOR EACH ROW {run}"
    yield f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {run}"
