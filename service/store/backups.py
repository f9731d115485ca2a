"""Copies of a SQLite database while it is in use, and what is looked at before one takes its place."""

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from service.domain.errors import DatabaseUnavailableError
from service.store.database import Database
from service.store.migrating import is_current, revisions

Progress = Callable[[int, int], None]
"""Is told how many pages of how many are copied."""

_PAGES_AT_ONCE = 1000
_PAUSE_SECONDS = 0.005
_OURS = "record_entries"
_BESIDE = ("-wal", "-shm", "-journal")


@contextmanager
def copied(source: Path, target: Path, progress: Progress) -> Iterator[Path]:
    """Copy a database, in use or not, to a file beside the target, whose place it takes where the block succeeds.

    Args:
        source: the database's file.
        target: where the copy is wanted.
        progress: is told how far it is.

    Yields:
        The copy, as one file without a log beside it.

    Raises:
        DatabaseUnavailableError: the source is no SQLite database.
        OSError: a file can't be read or written.
    """
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))  # it holds what is known of athletes
    try:
        _copy(source, part, progress)
        yield part
        for one in _beside(target):  # a log that was left without its database would be read into this one
            one.unlink(missing_ok=True)
        part.replace(target)
    except sqlite3.DatabaseError as error:
        message = f"{source} can't be copied: {error}"
        raise DatabaseUnavailableError(message) from error
    finally:
        for one in (part, *_beside(part)):
            one.unlink(missing_ok=True)


def _copy(source: Path, part: Path, progress: Progress) -> None:
    reading = sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)
    with closing(reading), closing(sqlite3.connect(part)) as writing:
        reading.backup(
            writing,
            pages=_PAGES_AT_ONCE,
            sleep=_PAUSE_SECONDS,
            progress=lambda _status, left, total: progress(total - left, total),
        )
        # A copy of a database with a log would be two files; the service switches the log on again.
        writing.execute("PRAGMA journal_mode=DELETE")


def check(file: Path) -> bool:
    """Look at a copy: whole, without a broken reference, ours; return whether it has exactly this release's tables.

    Raises:
        DatabaseUnavailableError: it is not.
    """
    with closing(sqlite3.connect(file)) as connection:
        try:
            _check_whole(connection)
            tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        except sqlite3.DatabaseError as error:
            message = f"it is no sound SQLite database: {error}"
            raise DatabaseUnavailableError(message) from error
        if _OURS not in tables or "alembic_version" not in tables:
            message = "it is a database, and not one of this service"
            raise DatabaseUnavailableError(message)
        _check_release(connection)
    database = Database(f"sqlite:///{file}")
    try:
        return is_current(database)
    finally:
        database.close()


def _check_whole(connection: sqlite3.Connection) -> None:
    found = [text for (text,) in connection.execute("PRAGMA integrity_check(5)")]
    if found != ["ok"]:
        message = f"it is damaged: {'; '.join(found)}"
        raise DatabaseUnavailableError(message)
    broken = connection.execute("PRAGMA foreign_key_check").fetchmany(1)
    if broken:
        message = f"a row of {broken[0][0]} names a row of {broken[0][2]} that is not there"
        raise DatabaseUnavailableError(message)


def _check_release(connection: sqlite3.Connection) -> None:
    known = revisions()
    later = [name for (name,) in connection.execute("SELECT version_num FROM alembic_version") if name not in known]
    if later:
        message = f"it was made by a later release (tables {', '.join(later)}); install that one to restore it"
        raise DatabaseUnavailableError(message)


def require_unused(file: Path) -> None:
    """Refuse to replace a database that a process has open; one that nobody has is left as one file.

    Raises:
        DatabaseUnavailableError: it is in use.
    """
    with closing(sqlite3.connect(file, timeout=0)) as connection:
        try:
            [(mode,)] = connection.execute("PRAGMA journal_mode=DELETE").fetchall()
        except sqlite3.OperationalError:
            mode = "wal"
        except sqlite3.DatabaseError:
            return  # it is no database, so nobody has it open as one
    if mode != "delete":
        message = f"{file} is in use; stop the service first"
        raise DatabaseUnavailableError(message)


def _beside(file: Path) -> list[Path]:
    return [file.with_name(f"{file.name}{ending}") for ending in _BESIDE]
