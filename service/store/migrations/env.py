"""Run migrations in one transaction, one migrator at a time, with SQLite's foreign keys off and checked after."""

from typing import Any, Literal

from alembic import context

from service.store.database import Database
from service.store.sending_tables import METADATA
from service.store.types import UtcMoment

LOCK = 7_204_310


def _rendered(kind: str, item: object, autogenerate: Any) -> str | Literal[False]:
    if kind == "type" and isinstance(item, UtcMoment):
        autogenerate.imports.add("from service.store.types import UtcMoment")
        return "UtcMoment()"
    return False


def _run(database: Database) -> None:
    with database.engine.begin() as connection:
        if not database.is_sqlite:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
        context.configure(
            connection=connection,
            target_metadata=METADATA,
            render_as_batch=database.is_sqlite,
            render_item=_rendered,
            transaction_per_migration=False,
        )
        context.run_migrations()
        if database.is_sqlite:
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                message = f"the migration would break references and was taken back: {broken[:5]}"
                raise RuntimeError(message)


_run(context.config.attributes["database"])
