"""What every command on the record shares: which database, which organisation, and as whom it acts there.

    at_database.add_options(command)          # --database; with at_database.add_organisation also --organisation
    with at_database.opened(options) as context: ...
    with at_database.at_organisation(options) as (context, operator): ...
    with at_database.as_person(options) as (context, person): ...      # after at_database.add_key

The store is imported where a command opens a database, since it takes longer to load than most commands to run.
"""

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.cli.refusals import UnreadableFileError, invalid_option
from service.domain.errors import (
    DatabaseUnavailableError,
    FieldError,
    ForbiddenError,
    InvalidDocumentError,
    UnauthenticatedError,
)
from service.settings import Settings, SettingsError, service_version

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

INVALID_SETTING = "invalid_setting"


def add_options(command: argparse.ArgumentParser) -> None:
    """Add the option that names the database."""
    usual = Settings().database_url
    command.add_argument(
        "--database", metavar="URL", help=f"the database; by default what RTS_DATABASE_URL says, else {usual}"
    )


def add_organisation(command: argparse.ArgumentParser) -> None:
    """Add the options that name the database and the organisation."""
    add_options(command)
    command.add_argument(
        "--organisation", metavar="ID", help="the organisation; may be left out where there is exactly one"
    )


def add_key(command: argparse.ArgumentParser) -> None:
    """Add the options that name the database and the file of a person's access key; the key is no argument itself."""
    add_options(command)
    command.add_argument(
        "--key-file",
        metavar="FILE",
        required=True,
        help="the file that holds the access key of the person who does this, - for standard input",
    )


def database_url(options: argparse.Namespace) -> str:
    """Return the address of the database.

    Raises:
        InvalidDocumentError: invalid_setting: variables that can't be used.
    """
    return str(options.database) if options.database is not None else settings().database_url


def settings() -> Settings:
    """Return what the environment says.

    Raises:
        InvalidDocumentError: invalid_setting: variables that can't be used.
    """
    try:
        return Settings.from_environment(os.environ)
    except SettingsError as error:
        faults = [FieldError(name, "bad_text", fault) for name, fault in error.faults.items()]
        raise InvalidDocumentError(INVALID_SETTING, faults) from None


@contextmanager
def opened(options: argparse.Namespace) -> Iterator["Context"]:
    """Open the database for as long as a command runs.

    Raises:
        DatabaseUnavailableError: it is not there.
    """
    from service.store.database import Database  # noqa: PLC0415
    from service.use_cases.context import Context  # noqa: PLC0415

    database = Database(database_url(options))
    file = database.url.database
    if database.is_sqlite and file and not Path(file).is_file():
        message = f"there is no database {file}; make it with `rts-service db upgrade`, or name another by --database"
        raise DatabaseUnavailableError(message)
    try:
        yield Context(database, _now, service_version())
    finally:
        database.close()


@contextmanager
def at_organisation(options: argparse.Namespace) -> Iterator[tuple["Context", "Caller"]]:
    """Open the database, and act as the operator of the organisation.

    Raises:
        DatabaseUnavailableError: it is not there, busy or not migrated.
        InvalidDocumentError: invalid_option: no organisation, or several and none named.
    """
    from service.use_cases.access import operator  # noqa: PLC0415
    from service.use_cases.organisations import list_organisations  # noqa: PLC0415

    with opened(options) as context:
        yield context, operator(context, _chosen(list_organisations(context), options.organisation))


@contextmanager
def as_person(options: argparse.Namespace) -> Iterator[tuple["Context", "Caller"]]:
    """Open the database, and act as the clinician whose access key is read.

    Raises:
        UnreadableFileError: there is no such file.
        DatabaseUnavailableError: the database is not there, busy or not migrated.
        UnauthenticatedError: the key opens nothing.
        ForbiddenError: it is not a clinician's.
    """
    from service.use_cases.access import authenticate  # noqa: PLC0415
    from service.use_cases.context import CLINICIAN  # noqa: PLC0415

    presented = _key(options.key_file)
    with opened(options) as context:
        caller = authenticate(context, presented)
        if caller is None:
            message = "this access key is not known or no longer valid; ask your administrator for another"
            raise UnauthenticatedError(message)
        if CLINICIAN not in caller.roles:
            message = "only a clinician adds this to the record, with a key of their own"
            raise ForbiddenError(message, roles=[CLINICIAN])
        yield context, caller


def _key(file: str) -> str:
    """Return the key that a file holds; a name that looks like a key is not repeated."""
    try:
        if file == "-":
            return "" if sys.stdin is None else sys.stdin.readline().strip()
        return Path(file).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        message = "the file of the access key can't be read; --key-file names a file that holds nothing but the key"
        raise UnreadableFileError(message) from None


def _chosen(organisations: Sequence[dict[str, Any]], named: str | None) -> str:
    ids = [str(one["id"]) for one in organisations]
    if named is not None and named.lower() in ids:
        return named.lower()
    if named is None and len(ids) == 1:
        return ids[0]
    listed = "; ".join(f"{one['id']} {one['name']}" for one in organisations)
    if not ids:
        detail, code = "there is no organisation yet; make one with `rts-service organisation create`", "missing"
    elif named is None:
        detail, code = f"there are several organisations; name one: {listed}", "missing"
    else:
        detail, code = f"there is no organisation {named!r}; there are: {listed}", "unknown_name"
    raise invalid_option(detail, option="--organisation", code=code)


def _now() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 - the real clock is chosen here, once
