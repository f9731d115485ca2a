"""Bring a database to this release's tables, and tell whether it is there."""

from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.domain.errors import DatabaseUnavailableError
from service.store.database import Database
from service.store.guards import grants

MIGRATIONS = Path(__file__).parent / "migrations"


def upgrade(url: str, *, serving_role: str | None = None) -> None:
    """Make or change the tables; a database that is there already stays as it is.

    Args:
        url: of the database, for a role that owns its tables.
        serving_role: on PostgreSQL, the role that the service runs under; it is given no more than it needs.

    Raises:
        DatabaseUnavailableError: it can't be reached.
    """
    database = Database(url, for_migration=True)
    if database.is_sqlite and database.url.database:
        _make_private(Path(database.url.database))
    try:
        config = _config()
        config.attributes["database"] = database
        command.upgrade(config, "head")
        if serving_role is not None and not database.is_sqlite:
            database.write(lambda tx: [tx.exec_driver_sql(one) for one in grants(serving_role)])
    except sa.exc.OperationalError as error:
        message = f"the database can't be reached or changed: {str(error.orig).strip()}"
        raise DatabaseUnavailableError(message) from error
    finally:
        database.close()


def _make_private(file: Path) -> None:
    """Make a new record's file and folder for its owner alone; what is there stays as its owner left it."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not file.exists():
        file.touch(mode=0o600)


def is_current(database: Database) -> bool:
    """Tell whether a database has exactly this release's tables.

    Raises:
        DatabaseUnavailableError: it can't be reached.
    """
    try:
        found = database.read(lambda tx: MigrationContext.configure(tx).get_current_heads())
    except sa.exc.DBAPIError as error:
        raise DatabaseUnavailableError(str(error.orig)) from error
    return tuple(found) == tuple(ScriptDirectory.from_config(_config()).get_heads())


def revisions() -> tuple[str, ...]:
    """Return the names of the migrations that this release knows, its own tables first."""
    return tuple(one.revision for one in ScriptDirectory.from_config(_config()).walk_revisions())


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config
