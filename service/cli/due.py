"""`due ...`: what is due, for the operator to look at, and for a person to reschedule, cancel or report as done."""

import argparse
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NamedTuple

from marshmallow import Schema

from schemas.tasks import CancelSchema, DoneSchema, RescheduleSchema, TasksQuerySchema
from service.cli import at_database
from service.cli.layout import minute
from service.cli.outcomes import PASSED, Said, printed
from service.cli.pages import MORE, add_filters, asked_of
from service.cli.recording import Option
from service.cli.refusals import as_lines, known_id, loaded, option_faults
from service.domain.errors import InvalidDocumentError

Run = Callable[[argparse.Namespace], Said]

NONE = "Nothing fits."

_SHOWN_BY = "`due list`"
_FILTERS = {
    "kind": ("--kind", "KIND", "retest, follow_up, override_review, referral_outcome or check_in"),
    "status": ("--status", "S", "upcoming, due, overdue, lapsed or closed; by default all that is open"),
    "athlete": ("--athlete", "ID", "of the athlete of this id"),
    "episode": ("--episode", "ID", "of the episode of this id"),
    "due_from": ("--from", "DATE", "due on this day or later"),
    "due_to": ("--to", "DATE", "due on this day or earlier"),
    "limit": ("--limit", "N", "at most so many, the first due first"),
}


class Change(NamedTuple):
    """What somebody may do with a task: what the body says, and the name of what does it in the use case's module."""

    help: str
    schema: type[Schema]
    options: tuple[Option, ...]
    does: str

    @property
    def flags(self) -> dict[str, str]:
        """The option of each field."""
        return {option.field: option.flag for option in self.options}


REASON = Option("reason", "--reason", "TEXT", "why")
DATE = Option("due_on", "--on", "DATE", "the date")
_CHANGES = {
    "reschedule": Change("put a task on another date", RescheduleSchema, (DATE, REASON), "reschedule_task"),
    "cancel": Change("call a task off for good", CancelSchema, (REASON,), "cancel_task"),
    "done": Change(
        "say that a check-in is done; every other kind of task closes by itself",
        DoneSchema,
        (Option("note", "--note", "TEXT", "how it went"),),
        "finish_task",
    ),
}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at what is due, reschedule it, cancel it, or say that it is done"
    group = groups.add_parser("due", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    every = commands.add_parser("list", parents=[shared], help="what is due, the first due first")
    add_filters(every, _FILTERS)
    every.set_defaults(command=_list)
    show = commands.add_parser("show", parents=[shared], help="one task, open or closed")
    show.set_defaults(command=_show)
    for command in (every, show):
        at_database.add_organisation(command)
    for command in add_changes(commands, shared, _CHANGES, _change):
        at_database.add_key(command)
    for command in commands.choices.values():
        if command is not every:
            command.add_argument("id", metavar="ID", help=f"the task's id, as {_SHOWN_BY} shows it")
        command.add_argument("--json", action="store_true", help="print JSON")


def add_changes(
    commands: Any, shared: argparse.ArgumentParser, changes: Mapping[str, Change], run: Run
) -> Iterator[argparse.ArgumentParser]:
    """Add a command for each change, which is its option `what`, and yield it."""
    for name, change in changes.items():
        command = commands.add_parser(name, parents=[shared], help=change.help)
        for option in change.options:
            command.add_argument(option.flag, metavar=option.metavar, dest=option.field, help=option.help)
        command.set_defaults(command=run, what=change)
        yield command


def body_of(options: argparse.Namespace) -> Any:
    """Return the body of a change, as its schema loads it."""
    flags = options.what.flags
    return loaded(options.what.schema(), {name: getattr(options, name) for name in flags}, flags)


@contextmanager
def faults_at_options(options: argparse.Namespace) -> Iterator[None]:
    """Name what is refused of the body of a change by its option."""
    try:
        yield
    except InvalidDocumentError as error:
        raise option_faults(error.errors, options.what.flags) from None


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.retests import list_tasks  # noqa: PLC0415 - loads the store

    asked = asked_of(options, _FILTERS, TasksQuerySchema())
    with at_database.at_organisation(options) as (context, operator):
        page = list_tasks(context, operator, asked, limit=asked["limit"])
    more = "" if page.after is None else as_lines([MORE])
    if options.json:
        return printed({"items": page.items}, more)
    return Said(PASSED, as_lines([_line(one) for one in page.items] or [NONE]), more)


def _show(options: argparse.Namespace) -> Said:
    from service.use_cases.retests import show_task  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        return _said(show_task(context, operator, known_id(options.id, shown_by=_SHOWN_BY)), options)


def _change(options: argparse.Namespace) -> Said:
    from service.use_cases import retests  # noqa: PLC0415 - loads the store

    id_, body = known_id(options.id, shown_by=_SHOWN_BY), body_of(options)
    with at_database.as_person(options) as (context, person), faults_at_options(options):
        made = getattr(retests, options.what.does)(context, person, id_, body, uuid.uuid4().hex)
    return _said(made.answer, options)


def _said(task: Any, options: argparse.Namespace) -> Said:
    if options.json:
        return printed(task)
    from_ = [f"  {name} {task[f'{name}_id']}" for name in ("episode", "decision", "battery") if task[f"{name}_id"]]
    return Said(PASSED, as_lines([_line(task), *from_]))


def _line(task: dict[str, Any]) -> str:
    """Return a task as people read it: its id, when it is due, whose it is, what it is and how it stands."""
    about = f" ({task['about'].replace('_', ' ')})" if task["about"] else ""
    because = f", {task['closed_because'].replace('_', ' ')}" if task["closed_because"] else ""
    reminded = f"; reminded {minute(task['reminded_at'])}" if task["reminded_at"] else ""
    return (
        f"{task['id']}  {task['due_on']} to {task['last_day']}  {task['athlete_ref'] or task['athlete_id']}  "
        f"{task['kind'].replace('_', ' ')}{about}: {task['status']}{because}{reminded}"
    )
