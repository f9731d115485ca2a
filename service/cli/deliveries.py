"""`delivery list`, `delivery show` and `delivery replay`: what was sent to webhooks and people, and what was not."""

import argparse
import json
from typing import Any

from schemas.webhooks import DeliveriesQuerySchema
from service.cli import at_database
from service.cli.layout import minute
from service.cli.outcomes import PASSED, Said, printed
from service.cli.pages import MORE, add_filters, asked_of
from service.cli.refusals import as_lines, known_id

NONE = "No delivery fits."

_SHOWN_BY = "`delivery list`"
_FILTERS = {
    "state": ("--state", "S", "waiting, delivered, dead or dropped"),
    "webhook": ("--webhook", "ID", "to the webhook of this id"),
    "channel": ("--channel", "C", "webhook or email"),
    "type": ("--type", "TYPE", "of this type, such as task.due"),
    "limit": ("--limit", "N", "at most so many, newest first"),
}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at what was sent to webhooks and people, and send it again"
    group = groups.add_parser("delivery", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    every = commands.add_parser("list", parents=[shared], help="every delivery, newest first")
    add_filters(every, _FILTERS)
    every.set_defaults(command=_list)
    show = commands.add_parser("show", parents=[shared], help="one delivery with its message, and what became of it")
    show.set_defaults(command=_show)
    replay = commands.add_parser("replay", parents=[shared], help="send one again, under the same id")
    replay.set_defaults(command=_replay)
    for command in (show, replay):
        command.add_argument("id", metavar="ID", help=f"the delivery's id, as {_SHOWN_BY} shows it")
    for command in (every, show, replay):
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print JSON")


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.deliveries import list_deliveries  # noqa: PLC0415 - loads the store

    asked = asked_of(options, _FILTERS, DeliveriesQuerySchema())
    with at_database.at_organisation(options) as (context, operator):
        page = list_deliveries(context, operator, asked, limit=asked["limit"])
    more = "" if page.after is None else as_lines([MORE])
    if options.json:
        return printed({"items": page.items}, more)
    return Said(PASSED, as_lines([delivery_line(one) for one in page.items] or [NONE]), more)


def _show(options: argparse.Namespace) -> Said:
    from service.use_cases.deliveries import show_delivery  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        return _said(show_delivery(context, operator, _id(options)), options)


def _replay(options: argparse.Namespace) -> Said:
    from service.use_cases.deliveries import replay_delivery  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        return _said(replay_delivery(context, operator, _id(options)), options)


def _id(options: argparse.Namespace) -> str:
    return known_id(options.id, shown_by=_SHOWN_BY)


def _said(delivery: dict[str, Any], options: argparse.Namespace) -> Said:
    if options.json:
        return printed(delivery)
    body = json.dumps(delivery["body"], ensure_ascii=False, indent=2).splitlines()
    return Said(PASSED, as_lines([delivery_line(delivery), *body]))


def delivery_line(one: Any) -> str:
    """Return a delivery as people read it: its id, when it was made, what and to whom, and how it stands."""
    to = one["actor"]["display_name"] if one["actor"] else f"webhook {one['webhook_id']}"
    tries = f", {one['attempts']} {'try' if one['attempts'] == 1 else 'tries'}" if one["attempts"] else ""
    error = f"; {one['error']}" if one["error"] else ""
    return f"{one['id']}  {minute(one['created_at'])}  {one['type']} to {to}: {one['state']}{tries}{error}"
