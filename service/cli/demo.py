"""`demo`: the whole service with an invented club, from nothing, in one command."""

import argparse
import json
import os
import shlex
import sys
import uuid
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from ipaddress import ip_network
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from service.cli.layout import Paper, printable, standard_output
from service.cli.outcomes import PASSED, Said
from service.cli.refusals import UnreadableFileError, invalid_option
from service.cli.serving import ticking
from service.settings import HIGHEST_PORT, Settings, service_version

if TYPE_CHECKING:
    from service.use_cases.context import Context

HOME = "demo-data"
HOST = "127.0.0.1"
RECORD, LOADING, KEYS = "record.sqlite", "record.loading.sqlite", "keys.json"
BATTERY, RETEST, RECEIVED = "battery.json", "retest.json", "received.jsonl"
TICK_SECONDS = 5
NOTE = "Access keys of a demonstration with invented data; they open nothing else. Do not use them for real athletes."
INVENTED = "Everything in it is invented: the club, the athletes, the people, every value."

_BESIDE = ("", "-wal", "-shm", "-journal")
_OWN_EYES = 0o600


class Demo(NamedTuple):
    """A demonstration that answers: where, where its files are, and its keys by role."""

    url: str
    home: Path
    keys: Mapping[str, str]


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the command."""
    summary = "serve a demonstration: an invented club, with its console, keys and a first request to paste"
    command = groups.add_parser("demo", parents=[shared], help=summary, description=f"{summary.capitalize()}.")
    command.add_argument("--home", metavar="DIR", default=HOME, help=f"where its files are kept; by default {HOME}")
    usual = Settings().port
    command.add_argument(
        "--port", metavar="N", type=int, default=usual, help=f"the port, 0 for a free one; by default {usual}"
    )
    command.add_argument("--json", action="store_true", help="print one line of JSON, url and keys, once it answers")
    command.set_defaults(command=_demo)


def _demo(options: argparse.Namespace) -> Said:
    from service.app import create_app  # noqa: PLC0415 - no other command waits for the web framework
    from service.cli.demo_receiver import receiving, register  # noqa: PLC0415 - no other command receives
    from service.cli.server import listen, serve, url_of  # noqa: PLC0415 - likewise

    if not 0 <= options.port <= HIGHEST_PORT:
        detail = f"a port from 0 to {HIGHEST_PORT} is wanted"
        raise invalid_option(detail, option="--port", code="out_of_range")
    with listen(HOST, options.port, option="--port") as listening:
        home = Path(options.home)
        try:
            demo = Demo(url_of(listening), home, _prepared(home))
            settings = _settings(demo)
            app = create_app(settings)
            context = app.extensions["rts"]
            for name, battery in _batteries(context):
                _write_private(home / name, battery)
        except OSError as error:
            message = f"{error.filename or home}: {(error.strerror or str(error)).lower()}"
            raise UnreadableFileError(message) from error
        with receiving(home / RECEIVED, tell=_tell) as receiver:
            register(receiver, context, demo.keys["administrator"])
            with ticking(context, settings):
                serve(app, listening, settings, ready=lambda: _say(demo, as_json=options.json))
    return Said(PASSED)


def _settings(demo: Demo) -> Settings:
    return Settings(
        database_url=_url(demo.home / RECORD),
        log_level="warning",
        public_url=demo.url,
        webhook_networks=(ip_network(HOST),),
        tick_seconds=TICK_SECONDS,
    )


def _say(demo: Demo, *, as_json: bool) -> None:
    lines = [json.dumps({"url": demo.url, "keys": dict(demo.keys)})] if as_json else _welcome(demo, standard_output())
    print("\n".join(lines), flush=True)


# Files


def _prepared(home: Path) -> dict[str, str]:
    """Return the keys of the club, which is loaded if it is not there.

    It is loaded under another name, and the keys are written before the record takes its own: whatever a first start
    that was interrupted has left behind is begun anew.
    """
    from service.store.migrating import upgrade  # noqa: PLC0415 - loads the store

    home.mkdir(parents=True, exist_ok=True)
    record, keys = home / RECORD, home / KEYS
    if not record.exists():
        loading = home / LOADING
        secrets = _loaded(loading)
        _write_private(keys, {"note": NOTE, **secrets})
        loading.chmod(_OWN_EYES)
        loading.replace(record)
        return secrets
    upgrade(_url(record))
    return _kept(keys)


def _loaded(loading: Path) -> dict[str, str]:
    from service.demo.club import ZONE  # noqa: PLC0415 - no other command tells stories
    from service.demo.loading import load_club  # noqa: PLC0415 - likewise
    from service.store.database import Database  # noqa: PLC0415 - loads the store
    from service.store.migrating import upgrade  # noqa: PLC0415 - likewise
    from service.use_cases.context import Context  # noqa: PLC0415 - likewise

    for ending in _BESIDE:
        loading.with_name(loading.name + ending).unlink(missing_ok=True)
    upgrade(_url(loading))
    database = Database(_url(loading))
    try:
        context = Context(database, _now, service_version())
        return load_club(context, _now().astimezone(ZONE).date(), tell=lambda line: _tell(f"loading {line}"))
    finally:
        database.close()  # with the last connection its log is written into the file


def _kept(keys: Path) -> dict[str, str]:
    try:
        kept = json.loads(keys.read_text(encoding="utf-8"))
        return {role: str(kept[role]) for role in ("submitter", "clinician", "administrator")}
    except (OSError, ValueError, KeyError, TypeError):
        message = f"{keys} does not hold the keys of this demonstration; remove {keys.parent} to start anew"
        raise UnreadableFileError(message) from None


def _batteries(context: "Context") -> Iterator[tuple[str, dict[str, Any]]]:
    from service.demo.batteries import first_battery, retest_battery  # noqa: PLC0415 - no other command tells stories
    from service.demo.loading import loaded_on  # noqa: PLC0415 - likewise

    yield BATTERY, first_battery(_now())
    yield RETEST, retest_battery(_now(), loaded_on(context))


def _write_private(file: Path, document: Mapping[str, Any]) -> None:
    """Write JSON for nobody else's eyes, whole or not at all; its numbers have few digits, so floats print them."""
    part = file.with_name(f"{file.name}.part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, _OWN_EYES), "w", encoding="utf-8") as writing:
        json.dump(document, writing, ensure_ascii=False, indent=2, default=float)
        writing.write("\n")
    part.replace(file)


def _url(file: Path) -> str:
    return f"sqlite:///{file}"


# Words


def _welcome(demo: Demo, paper: Paper) -> Iterator[str]:
    from service.demo.batteries import RETESTED  # noqa: PLC0415 - no other command tells stories
    from service.use_cases.choosing import shipped_sets  # noqa: PLC0415 - no need of it to load

    yield paper.heading(f"The demonstration answers at {demo.url}")
    yield from paper.wrapped(f"{INVENTED} Documentation: {demo.url}/docs. Keys: {demo.home / KEYS}. Ctrl-C stops it.")
    yield ""
    yield f"The console for clinicians is {demo.url}/console/, and this key signs in there:"
    yield demo.keys["clinician"]
    yield ""
    yield "Post a battery (of a new athlete, from a file that you may edit):"
    yield post_command(demo, BATTERY)
    yield ""
    yield from paper.wrapped(
        f"What is due is told to a receiver beside the service, which checks signatures and notes the messages in "
        f"{demo.home / RECEIVED}. Among the first is a retest of {RETESTED.ref}, and this battery closes it:"
    )
    yield post_command(demo, RETEST)
    yield ""
    yield "Read the latest decisions:"
    yield read_command(demo)
    yield ""
    for one in shipped_sets()[:1]:
        yield from paper.wrapped(one.document["caution"]["text"], first="Caution: ")


def post_command(demo: Demo, file: str) -> str:
    """Return the line that posts a battery; run again it is answered what it was answered first."""
    return (
        f"curl -sS {demo.url}/v1/batteries -H 'Authorization: Bearer {demo.keys['submitter']}' "
        f"-H 'Content-Type: application/json' -H 'Idempotency-Key: {uuid.uuid4()}' "
        f"--data-binary @{shlex.quote(str(demo.home / file))}"
    )


def read_command(demo: Demo) -> str:
    """Return the line that reads the history."""
    return f"curl -sS '{demo.url}/v1/decisions?limit=5' -H 'Authorization: Bearer {demo.keys['clinician']}'"


def _tell(line: str) -> None:
    print(printable(line), file=sys.stderr, flush=True)


def _now() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 - the real clock is chosen here, once
