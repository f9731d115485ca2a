"""`criteria-review ...`: the yearly review of criteria, for the operator to look at, and to say what became of it."""

import argparse
import uuid
from collections.abc import Mapping
from typing import Any

from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema
from service.cli import at_database
from service.cli.due import DATE, REASON, Change, add_changes, body_of, faults_at_options
from service.cli.outcomes import PASSED, Said, printed
from service.cli.recording import Option
from service.cli.refusals import as_lines, known_id

_NONE = "No criteria are to be reviewed."
_SHOWN_BY = "`criteria-review list`"
_CHANGES = {
    "reschedule": Change("put a review on another date", RescheduleSchema, (DATE, REASON), "RESCHEDULE"),
    "cancel": Change("call a review off for good; the next version has its own", CancelSchema, (REASON,), "CANCEL"),
    "done": Change(
        "say that a review is done; the next one is due a year later",
        DoneSchema,
        (Option("note", "--note", "TEXT", "what came of it"),),
        "DONE",
    ),
}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at the yearly reviews of criteria, reschedule or cancel one, or say that it is done"
    group = groups.add_parser("criteria-review", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    every = commands.add_parser("list", parents=[shared], help="the reviews, open and closed, the first due first")
    every.set_defaults(command=_list)
    for command in add_changes(commands, shared, _CHANGES, _change):
        command.add_argument("id", metavar="ID", help=f"the review's id, as {_SHOWN_BY} shows it")
    for command in commands.choices.values():
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print JSON")


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.criteria_reviews import list_reviews  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        found = list_reviews(context, operator)
    return (
        printed({"items": found}) if options.json else Said(PASSED, as_lines([_line(one) for one in found] or [_NONE]))
    )


def _change(options: argparse.Namespace) -> Said:
    from service.use_cases import criteria_reviews  # noqa: PLC0415 - loads the store

    id_, body = known_id(options.id, shown_by=_SHOWN_BY), body_of(options)
    route, key = getattr(criteria_reviews, options.what.does), uuid.uuid4().hex
    with at_database.at_organisation(options) as (context, operator), faults_at_options(options):
        made = criteria_reviews.change_review(context, operator, id_, route, body, key=key)
    return printed(made.answer) if options.json else Said(PASSED, as_lines([_line(made.answer)]))


def _line(one: Mapping[str, Any]) -> str:
    """Return a review as people read it: its id, when it is due, of which version, and how it stands."""
    because = f", {one['closed_because']}" if one["closed_because"] else ""
    return (
        f"{one['id']}  {one['due_on']} to {one['last_day']}  {one['set_id']}/{one['version']}: {one['status']}{because}"
    )
