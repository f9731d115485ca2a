"""`reminders show` and `reminders set`: when an organisation reminds of what is due, and whom."""

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from schemas.faults import pointer
from schemas.reminding import PlanSchema
from schemas.strict_json import BrokenJsonError, load, read
from service.cli import at_database
from service.cli.files import bytes_of
from service.cli.layout import standard_output
from service.cli.outcomes import PASSED, Said, printed
from service.cli.refusals import as_lines
from service.domain.errors import INVALID_BODY, BrokenBodyError, FieldError, InvalidDocumentError
from service.domain.reminding import BEFORE, GROUPS, ON_DAY

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

_KEPT_BY = {"default": "the default plan", "organisation": "the organisation's plan"}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at the organisation's reminder plan, and write it"
    group = groups.add_parser("reminders", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    show = commands.add_parser("show", parents=[shared], help="when people are reminded of what is due, and who")
    show.set_defaults(command=_show)
    write = commands.add_parser(
        "set",
        parents=[shared],
        help="put another plan in its place; what is planned follows it",
        description="Put another plan in the place of the one that is there; what is planned follows it at once. "
        "`reminders show --json` prints one to begin with.",
    )
    write.add_argument("--file", metavar="FILE", required=True, help="the plan as JSON; - for standard input")
    write.set_defaults(command=_set)
    for command in (show, write):
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print JSON")


def _show(options: argparse.Namespace) -> Said:
    with at_database.at_organisation(options) as (context, operator):
        return _said(context, operator, options)


def _set(options: argparse.Namespace) -> Said:
    from service.use_cases.reminder_plans import (  # noqa: PLC0415 - loads the store
        change_organisation_plan,
        show_organisation_plan,
    )

    body = _plan(options.file)
    with at_database.at_organisation(options) as (context, operator):
        seen = show_organisation_plan(context, operator)
        change_organisation_plan(context, operator, body, etag=seen.tag)
        return _said(context, operator, options)


def _plan(file: str) -> Any:
    """Return the plan that a file holds.

    Raises:
        UnreadableFileError: it can't be read.
        BrokenBodyError: it is no JSON.
        InvalidDocumentError: every fault of the plan.
    """
    try:
        document, found = read(bytes_of(file))
    except BrokenJsonError as error:
        raise BrokenBodyError(error.code, error.message) from None
    if isinstance(document, dict):
        document.pop("kept_by", None)  # `show` says it, and nobody can
    body, faults = load(PlanSchema(), document, found=found)
    if faults:
        raise InvalidDocumentError(
            INVALID_BODY, [FieldError(pointer(one.path), one.code, one.detail) for one in faults]
        )
    return body


def _said(context: "Context", operator: "Caller", options: argparse.Namespace) -> Said:
    from service.use_cases.writing_plans import organisation_plan_to_write  # noqa: PLC0415 - loads the store

    found = organisation_plan_to_write(context, operator)
    plan, people = found["plan"], found["people"]
    if options.json:
        return printed(plan)
    heading = f"At {plan['at']} in {operator.zone.key}, {_KEPT_BY[plan['kept_by']]}:"
    steps = [f"{_when(step)}: {', '.join(_whom(one, people) for one in step['to'])}" for step in plan["steps"]]
    return Said(PASSED, as_lines([heading, *standard_output().bullets(steps)]))


def _when(step: Mapping[str, Any]) -> str:
    if step["when"] == ON_DAY:
        return "on the day"
    days = f"{step['days']} {'day' if step['days'] == 1 else 'days'}"
    return f"{days} before" if step["when"] == BEFORE else f"{days} overdue"


def _whom(one: str, people: Mapping[str, str]) -> str:
    return one if one in GROUPS else people.get(one, f"{one} (can't be sent a mail any more)")
