"""`webhook ...`: where an organisation's own systems are told of what happens, as the operator sets them up."""

import argparse
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from schemas.webhooks import OFF, ON, WANTED_TYPES, RotationSchema, WebhookSchema
from service.cli import at_database
from service.cli.deliveries import delivery_line
from service.cli.layout import Paper, standard_output
from service.cli.outcomes import PASSED, Said, printed
from service.cli.pages import every_item
from service.cli.refusals import as_lines, known_id, loaded, option_faults
from service.domain.errors import InvalidDocumentError

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

NONE = "There is no webhook yet; make one with `rts-service webhook create`."
WAITS = "It waits to be sent by `serve` or `scheduler`; `delivery show ID` tells what became of it."

_OPTIONS = {"url": "URL", "events": "--event", "label": "--label"}
_KEEP = "--keep-previous"


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "make, test and change webhooks: where systems are told of what happens"
    group = groups.add_parser("webhook", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, what: Callable[[argparse.Namespace], Said], help_: str) -> argparse.ArgumentParser:
        made: argparse.ArgumentParser = commands.add_parser(name, parents=[shared], help=help_)
        made.set_defaults(command=what)
        at_database.add_organisation(made)
        made.add_argument("--json", action="store_true", help="print JSON")
        return made

    command("list", _list, "every webhook, newest first")
    create = command("create", _create, "make a webhook; its secret is shown once")
    create.add_argument("url", metavar="URL", help="where to send: https, or http in a network of your own")
    create.add_argument(
        "--event",
        metavar="TYPE",
        action="append",
        help=f"a type that is sent, by default all; may be given several times: {', '.join(WANTED_TYPES)}",
    )
    create.add_argument("--label", metavar="TEXT", help="what it is called")
    rotate = command("rotate", _rotate, "give it a new secret, which is shown once")
    rotate.add_argument(
        _KEEP, metavar="HOURS", help="how long the secret so far signs beside it; by default 24, 0 ends it at once"
    )
    with_id = (
        rotate,
        command("test", _test, "send it a message of type webhook.test"),
        command("on", _turn, "send to it"),
        command("off", _turn, "send nothing to it; what waits is dropped"),
        command("remove", _remove, "remove it with its secrets; what waits is dropped"),
    )
    for one in with_id:
        one.add_argument("id", metavar="ID", help="the webhook's id, as `webhook list` shows it")
    commands.choices["on"].set_defaults(state=ON)
    commands.choices["off"].set_defaults(state=OFF)


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import list_webhooks  # noqa: PLC0415 - loads the store

    with _opened(options) as (context, operator):
        found = list(every_item(partial(list_webhooks, context, operator)))
    if options.json:
        return printed({"webhooks": found})
    paper = standard_output()
    return Said(PASSED, as_lines([line for one in found for line in _lines(one, paper)] or [NONE]))


def _create(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import create_webhook  # noqa: PLC0415 - loads the store

    body = loaded(WebhookSchema(), {"url": options.url, "events": options.event, "label": options.label}, _OPTIONS)
    with _opened(options, _OPTIONS) as (context, operator):
        made = create_webhook(context, operator, body, key=uuid.uuid4().hex)
    return _with_secret(made.answer, options)


def _rotate(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import rotate_secret  # noqa: PLC0415 - loads the store

    id_, hours = _id(options), options.keep_previous
    told = {"keep_previous_hours": int(hours) if hours is not None and hours.isdecimal() else hours}
    body = loaded(RotationSchema(), told, {"keep_previous_hours": _KEEP})
    with _opened(options) as (context, operator):
        made = rotate_secret(context, operator, id_, body, key=uuid.uuid4().hex)
    return _with_secret(made.answer, options)


def _test(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import send_test  # noqa: PLC0415 - loads the store

    with _opened(options) as (context, operator):
        delivery = send_test(context, operator, _id(options), key=uuid.uuid4().hex).answer
    if options.json:
        return printed(delivery)
    return Said(PASSED, as_lines([delivery_line(delivery), *standard_output().wrapped(WAITS)]))


def _turn(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import change_webhook, show_webhook  # noqa: PLC0415 - loads the store

    id_ = _id(options)
    with _opened(options, {"url": "ID"}) as (context, operator):
        seen, tag = show_webhook(context, operator, id_)
        body = {name: seen[name] for name in ("url", "events", "label")} | {"state": options.state}
        changed, _ = change_webhook(context, operator, id_, body, etag=tag)
    return printed(changed) if options.json else Said(PASSED, as_lines(_lines(changed, standard_output())))


def _remove(options: argparse.Namespace) -> Said:
    from service.use_cases.webhooks import remove_webhook  # noqa: PLC0415 - loads the store

    id_ = _id(options)
    with _opened(options) as (context, operator):
        remove_webhook(context, operator, id_)
    return printed({"id": id_, "removed": True}) if options.json else Said(PASSED, as_lines([f"{id_}  removed"]))


@contextmanager
def _opened(options: argparse.Namespace, names: dict[str, str] | None = None) -> Iterator[tuple["Context", "Caller"]]:
    """Open the database, as the operator who may allow networks of their own; faults stand at the named options."""
    networks = at_database.settings().webhook_networks
    with at_database.at_organisation(options) as (context, operator):
        try:
            yield replace(context, webhook_networks=networks), operator
        except InvalidDocumentError as error:
            raise option_faults(error.errors, names or {}) from None


def _id(options: argparse.Namespace) -> str:
    return known_id(options.id, shown_by="`webhook list`")


def _with_secret(made: Any, options: argparse.Namespace) -> Said:
    if options.json:
        return printed(made)
    paper = standard_output()
    return Said(PASSED, as_lines([*_lines(made, paper), *paper.wrapped(made["note"]), made["secret"]]))


def _lines(one: Any, paper: Paper) -> list[str]:
    """Return a webhook as people read it: its id, whether it is on, where it sends, what, and what came of it."""
    facts = [
        one["url"],
        *([one["label"]] if one["label"] else []),
        ", ".join(one["events"]) or "every type",
        f"{one['waiting']} waiting, {one['dead']} dead",
        *([f"off because {one['off_because']}"] if one["off_because"] else []),
    ]
    return [f"{paper.heading(one['id'])}  {one['state']}", *paper.wrapped("; ".join(facts), indent=2)]
