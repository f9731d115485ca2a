"""`db upgrade`, `db backup`, `db restore`, `db rebuild`: the care of the database."""

import argparse
import dataclasses
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from service.cli import at_database
from service.cli.outcomes import DIFFERS, PASSED, Said
from service.cli.refusals import UnreadableFileError, as_lines, invalid_option
from service.domain.errors import DatabaseUnavailableError

if TYPE_CHECKING:
    from service.store.database import Database
    from service.use_cases.rebuilding import Report

_PERCENT = 100


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "make and change the tables, back up, restore, compare with the record"
    group = groups.add_parser("db", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_upgrade(commands, shared)
    backup = commands.add_parser("backup", parents=[shared], help="copy a SQLite database while it is in use")
    backup.set_defaults(command=_backup)
    restore = commands.add_parser("restore", parents=[shared], help="look at a backup, and put it where it belongs")
    restore.set_defaults(command=_restore)
    for command, what in ((backup, "the backup to make"), (restore, "the backup")):
        command.add_argument("file", metavar="FILE", help=what)
        command.add_argument("--replace", action="store_true", help="take the place of a file that is there")
    rebuild = commands.add_parser(
        "rebuild", parents=[shared], help="compare the current state with the record, and put it right"
    )
    rebuild.add_argument(
        "--check", action="store_true", help="compare only, and write nothing; exit code 1 if it differs"
    )
    rebuild.set_defaults(command=_rebuild)
    for command in (backup, restore, rebuild):
        at_database.add_options(command)
        command.add_argument("--json", action="store_true", help="print what was done as JSON")


def _add_upgrade(commands: Any, shared: argparse.ArgumentParser) -> None:
    upgrade = commands.add_parser(
        "upgrade", parents=[shared], help="make or change the tables; needed once, and after every new release"
    )
    upgrade.add_argument(
        "--url",
        "--database",
        dest="database",
        metavar="URL",
        help="the database, for a role that owns its tables; by default what RTS_DATABASE_URL says",
    )
    upgrade.add_argument(
        "--serving-role",
        "--serve-role",
        dest="serving_role",
        metavar="NAME",
        help="on PostgreSQL, the role that the service runs under: it is given what it needs and no more",
    )
    upgrade.add_argument("--json", action="store_true", help="print what was done as JSON")
    upgrade.set_defaults(command=_upgrade)


def _upgrade(options: argparse.Namespace) -> Said:
    from service.store.migrating import revisions, upgrade  # noqa: PLC0415 - loads the store

    url = at_database.database_url(options)
    upgrade(url, serving_role=options.serving_role)
    done = {"database": _shown(url), "tables": revisions()[0]}
    return _said(done, f"{done['database']}: the tables are those of this release ({done['tables']})", options)


def _backup(options: argparse.Namespace) -> Said:
    from service.store import backups  # noqa: PLC0415 - loads the store

    target = Path(options.file)
    with at_database.opened(options) as context:
        dump = f"pg_dump --format=custom --file={quote(options.file)}"
        source = _file_of(context.database, lambda address: f"{dump} {address}")
        _refuse_taken(target, options, source)
        with _reading(target), backups.copied(source, target, _pages) as copy:
            backups.check(copy)
    done = {"database": str(source), "backup": str(target), "bytes": target.stat().st_size}
    return _said(done, f"{target}: {done['bytes']} bytes, looked at and whole; keep it as safe as the record", options)


def _restore(options: argparse.Namespace) -> Said:
    from service.store import backups  # noqa: PLC0415 - loads the store
    from service.store.database import Database  # noqa: PLC0415 - likewise

    source = Path(options.file)
    if not source.is_file():
        message = f"there is no backup {source}; give the file that `rts-service db backup` made"
        raise UnreadableFileError(message)
    target = _file_of(
        Database(at_database.database_url(options)),
        lambda address: f"pg_restore --no-owner --dbname={address} {quote(options.file)}, into an empty database",
    )
    _refuse_taken(target, options, source)
    with _reading(source):
        target.parent.mkdir(parents=True, exist_ok=True)
        with backups.copied(source, target, _pages) as copy:
            is_current = backups.check(copy)
            report = _chains(copy) if is_current else None
            if target.exists():
                backups.require_unused(target)
    done = {"database": str(target), "backup": str(source), "athletes": report.athletes if report else None}
    looked = f"{report.entries} entries of {report.athletes} athletes hold together" if report else _OLDER
    return _said(done, f"{target}: restored; {looked}", options)


_OLDER = "it is of an earlier release, so run `rts-service db upgrade` next"


def _chains(copy: Path) -> "Report":
    """Return what a look at every record says.

    Raises:
        DatabaseUnavailableError: one of them was changed.
    """
    from service.use_cases.rebuilding import check  # noqa: PLC0415 - loads the store

    with at_database.opened(argparse.Namespace(database=f"sqlite:///{copy}")) as context:
        report = check(context, progress=_athletes)
    if report.broken:
        first = report.broken[0]
        message = (
            f"the record of {len(report.broken)} athletes was changed after it was written, first that of "
            f"{first.athlete} from entry {first.first_broken} on; nothing was restored"
        )
        raise DatabaseUnavailableError(message)
    return report


def _rebuild(options: argparse.Namespace) -> Said:
    from service.use_cases import rebuilding  # noqa: PLC0415 - loads the store

    with at_database.opened(options) as context:
        look = rebuilding.check if options.check else rebuilding.rebuild
        report = look(context, progress=_athletes)
    code = DIFFERS if report.broken or (options.check and report.differences) else PASSED
    if options.json:
        return Said(code, json.dumps(dataclasses.asdict(report), ensure_ascii=False) + "\n")
    return Said(code, as_lines(_report_lines(report, has_written=not options.check)))


def _report_lines(report: "Report", *, has_written: bool) -> Iterator[str]:
    for record in report.broken:
        from_ = f"does not hold from entry {record.first_broken} on"
        yield f"{record.athlete}: the record {from_}; nothing of it was compared"
    for one in report.differences:
        what = ", ".join(one.columns) or "the row"
        yield f"{one.athlete}: {one.table} {one.key}: {what} {'was put right' if has_written else 'differs'}"
    found = "is what the record says" if report.is_clean else f"differed in {len(report.differences)} rows"
    yield f"{report.athletes} athletes, {report.entries} entries: the state {found}"


# What is shared


def _file_of(database: "Database", postgresql: Callable[[str], str]) -> Path:
    """Return the file of a SQLite database; `postgresql` returns the line for the other, at an address.

    Raises:
        InvalidDocumentError: invalid_option: it is another one, which has tools of its own.
    """
    file = database.url.database
    if not database.is_sqlite or not file:
        address = database.url.set(drivername="postgresql").render_as_string(hide_password=True)
        detail = f"this is for SQLite; PostgreSQL has its own tool: {postgresql(quote(address))}"
        raise invalid_option(detail, option="--database", code="conflicts")
    return Path(file)


def _refuse_taken(target: Path, options: argparse.Namespace, source: Path) -> None:
    if target.exists() and target.samefile(source):
        message = f"{target} is the record and the backup at once; name two files"
        raise UnreadableFileError(message)
    if target.is_dir() or (target.exists() and not options.replace):
        message = f"{target} is there already; name another file, or say --replace"
        raise UnreadableFileError(message)


@contextmanager
def _reading(file: Path) -> Iterator[None]:
    """Tell in a sentence what a disk says."""
    try:
        yield
    except OSError as error:
        message = f"{error.filename or file}: {(error.strerror or str(error)).lower()}"
        raise UnreadableFileError(message) from error


def _said(done: dict[str, Any], line: str, options: argparse.Namespace) -> Said:
    return Said(PASSED, json.dumps(done, ensure_ascii=False) + "\n" if options.json else as_lines([line]))


def _shown(url: str) -> str:
    from sqlalchemy import make_url  # noqa: PLC0415 - loads the store

    return make_url(url).render_as_string(hide_password=True)


def _pages(done: int, total: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{done * _PERCENT // max(total, 1)} % copied", end="\n" if done == total else "", file=sys.stderr)


def _athletes(done: int) -> None:
    if sys.stderr.isatty() and done % _PERCENT == 0:
        print(f"\r{done} athletes", end="", file=sys.stderr)
