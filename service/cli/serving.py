"""`serve`: the service itself, with waitress, in one process."""

import argparse
import json
import sys
from typing import Any

from service.cli import at_database
from service.cli.outcomes import PASSED, Said
from service.domain.errors import DatabaseUnavailableError


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the command."""
    summary = "serve the JSON API and the console"
    command = groups.add_parser(
        "serve",
        parents=[shared],
        help=summary,
        description="Serve the JSON API and the console. Settings come from the environment: RTS_DATABASE_URL, "
        "RTS_HOST, RTS_PORT, RTS_THREADS, RTS_TRUSTED_PROXIES, RTS_URL_PREFIX, RTS_LOG_LEVEL, RTS_IDLE_MINUTES. "
        "SIGTERM finishes what is running.",
    )
    command.add_argument("--migrate", action="store_true", help="bring the database to this release's tables first")
    command.add_argument("--json", action="store_true", help="print one line of JSON once requests are answered")
    command.set_defaults(command=_serve)


def _serve(options: argparse.Namespace) -> Said:
    from service.app import create_app  # noqa: PLC0415 - no other command waits for the web framework
    from service.cli.server import listen, serve, url_of  # noqa: PLC0415 - likewise

    settings = at_database.settings()
    _ready_database(settings.database_url, may_migrate=options.migrate)
    with listen(settings.host, settings.port, option="RTS_PORT") as listening:
        url = f"{url_of(listening)}{settings.url_prefix}"
        serve(create_app(settings), listening, settings, ready=lambda: _say(url, as_json=options.json))
    return Said(PASSED)


def _say(url: str, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps({"url": url}), flush=True)
    else:
        print(f"Serving {url}, documentation at {url}/docs. Ctrl-C stops.", file=sys.stderr, flush=True)


def _ready_database(url: str, *, may_migrate: bool) -> None:
    """Refuse a database that has not this release's tables.

    Raises:
        DatabaseUnavailableError: it is not there, can't be reached, or is not migrated.
    """
    from service.store.migrating import is_current, upgrade  # noqa: PLC0415 - loads the store

    if may_migrate:
        upgrade(url)
    with at_database.opened(argparse.Namespace(database=url)) as context:
        if not is_current(context.database):
            message = (
                "the database has not this release's tables; run `rts-service db upgrade`, or serve with --migrate"
            )
            raise DatabaseUnavailableError(message)
