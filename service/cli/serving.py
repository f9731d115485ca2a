"""`serve`: the service itself, with waitress, in one process; `scheduler`: what reminds and sends, by itself."""

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING, Any

from service.cli import at_database
from service.cli.outcomes import PASSED, Said
from service.domain.errors import DatabaseUnavailableError
from service.settings import Settings

if TYPE_CHECKING:
    from service.use_cases.context import Context

_OF_SENDING = "RTS_PUBLIC_URL, RTS_WEBHOOK_NETWORKS, RTS_SMTP_URL, RTS_MAIL_FROM, RTS_SCHEDULER, RTS_TICK_SECONDS"


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the command."""
    summary = "serve the JSON API and the console"
    command = groups.add_parser(
        "serve",
        parents=[shared],
        help=summary,
        description="Serve the JSON API and the console. Settings come from the environment: RTS_DATABASE_URL, "
        "RTS_HOST, RTS_PORT, RTS_THREADS, RTS_TRUSTED_PROXIES, RTS_URL_PREFIX, RTS_LOG_LEVEL, RTS_IDLE_MINUTES, and "
        f"{_OF_SENDING}. It reminds and sends, too, unless RTS_SCHEDULER is off. SIGTERM finishes what is running.",
    )
    command.add_argument("--migrate", action="store_true", help="bring the database to this release's tables first")
    command.add_argument("--json", action="store_true", help="print one line of JSON once requests are answered")
    command.set_defaults(command=_serve)
    _add_scheduler(groups, shared)


def _add_scheduler(groups: Any, shared: argparse.ArgumentParser) -> None:
    summary = "remind of what is due, and send webhooks and mails"
    command = groups.add_parser(
        "scheduler",
        parents=[shared],
        help=summary,
        description=f"{summary.capitalize()}. Any number of processes may do so, beside `serve` or alone: what is due "
        "is claimed in the database. Settings, the same in each of them: RTS_DATABASE_URL, RTS_LOG_LEVEL, "
        f"{_OF_SENDING}.",
    )
    command.add_argument("--once", action="store_true", help="send what is due now, and leave")
    command.add_argument("--json", action="store_true", help="print one line of JSON once it runs")
    command.set_defaults(command=_schedule)


def _serve(options: argparse.Namespace) -> Said:
    from service.app import create_app  # noqa: PLC0415 - no other command waits for the web framework
    from service.cli.server import listen, serve, url_of  # noqa: PLC0415 - likewise

    settings = at_database.settings()
    _ready_database(settings.database_url, may_migrate=options.migrate)
    with listen(settings.host, settings.port, option="RTS_PORT") as listening:
        url = f"{url_of(listening)}{settings.url_prefix}"
        app = create_app(settings)
        with ticking(app.extensions["rts"], settings):
            serve(app, listening, settings, ready=lambda: _say(url, as_json=options.json))
    return Said(PASSED)


def _schedule(options: argparse.Namespace) -> Said:
    from service.api.observing import log_to_stderr  # noqa: PLC0415 - loads the web framework
    from service.app import context_of  # noqa: PLC0415 - likewise
    from service.cli.server import until_stopped  # noqa: PLC0415 - likewise
    from service.reminders.scheduler import run_once, running  # noqa: PLC0415 - likewise

    settings = at_database.settings()
    _ready_database(settings.database_url, may_migrate=False)
    log_to_stderr(settings.log_level)
    context = context_of(settings)
    try:
        if options.once:
            run_once(context, settings)
        else:
            with until_stopped() as wait, running(context, settings):
                _say_it_runs(as_json=options.json)
                wait()
    finally:
        context.database.close()
    return Said(PASSED)


@contextmanager
def ticking(context: "Context", settings: Settings) -> Iterator[None]:
    """Remind and send while a server runs, unless other processes do; close the database at the end."""
    from service.reminders.scheduler import running  # noqa: PLC0415 - no other command waits for it

    try:
        with running(context, settings) if settings.scheduler else nullcontext():
            yield
    finally:
        context.database.close()


def _say_it_runs(*, as_json: bool) -> None:
    if as_json:
        print(json.dumps({"scheduler": "running"}), flush=True)
    else:
        print("Reminding and sending. Ctrl-C stops.", file=sys.stderr, flush=True)


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
