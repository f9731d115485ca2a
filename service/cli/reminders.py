"""`reminders ...`: when an organisation reminds of what is due, and whom, and where an episode has steps of its own."""

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from marshmallow import Schema

from schemas.faults import pointer
from schemas.reminding import EpisodePlanSchema, PlanSchema
from schemas.strict_json import BrokenJsonError, load, read
from service.cli import at_database
from service.cli.files import bytes_of
from service.cli.layout import standard_output
from service.cli.outcomes import PASSED, Said, printed
from service.cli.refusals import as_lines, known_id
from service.domain.errors import INVALID_BODY, BrokenBodyError, FieldError, InvalidDocumentError
from service.domain.reminding import BEFORE, GROUPS, ON_DAY

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

_SHOWN_BY = "`decisions list --json`"
_KEPT_BY = {
    "default": "the default plan",
    "organisation": "the organisation's plan",
    "episode": "the episode's own steps",
}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at the organisation's reminder plan or an episode's own steps, and write them"
    group = groups.add_parser("reminders", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    show = commands.add_parser("show", parents=[shared], help="when people are reminded of what is due, and who")
    show.set_defaults(command=_show)
    write = commands.add_parser(
        "set",
        parents=[shared],
        help="put another plan in its place; what is planned follows it",
        description="Put another plan in the place of the one that is there; what is planned follows it at once. "
        "`reminders show --json` prints one to begin with. An episode has steps only; the hour is the organisation's.",
    )
    write.add_argument("--file", metavar="FILE", required=True, help="the plan as JSON; - for standard input")
    write.set_defaults(command=_set)
    remove = commands.add_parser(
        "remove", parents=[shared], help="let an episode go back to the organisation's plan; what is planned follows it"
    )
    remove.set_defaults(command=_remove)
    for command in (show, write, remove):
        at_database.add_organisation(command)
        command.add_argument(
            "--episode",
            metavar="ID",
            required=command is remove,
            help=f"the steps of the episode of this id, as {_SHOWN_BY} shows it",
        )
        command.add_argument("--json", action="store_true", help="print JSON")


def _show(options: argparse.Namespace) -> Said:
    episode = _episode(options)
    with at_database.at_organisation(options) as (context, operator):
        return _said(context, operator, episode, options)


def _set(options: argparse.Namespace) -> Said:
    from service.use_cases import reminder_plans  # noqa: PLC0415 - loads the store

    episode = _episode(options)
    with at_database.at_organisation(options) as (context, operator):
        if episode is None:
            seen = reminder_plans.show_organisation_plan(context, operator)
            body = _plan(options.file, PlanSchema())
            reminder_plans.change_organisation_plan(context, operator, body, etag=seen.tag)
        else:
            seen = reminder_plans.show_episode_plan(context, operator, episode)
            body = _plan(options.file, EpisodePlanSchema(), hour=seen.answer["at"])
            reminder_plans.change_episode_plan(context, operator, episode, body, etag=seen.tag)
        return _said(context, operator, episode, options)


def _remove(options: argparse.Namespace) -> Said:
    from service.use_cases import reminder_plans  # noqa: PLC0415 - loads the store

    episode = known_id(options.episode, shown_by=_SHOWN_BY, option="--episode")
    with at_database.at_organisation(options) as (context, operator):
        seen = reminder_plans.show_episode_plan(context, operator, episode)
        reminder_plans.drop_episode_plan(context, operator, episode, etag=seen.tag)
        return _said(context, operator, episode, options)


def _episode(options: argparse.Namespace) -> str | None:
    if options.episode is None:
        return None
    return known_id(options.episode, shown_by=_SHOWN_BY, option="--episode")


def _plan(file: str, schema: Schema, *, hour: str | None = None) -> Any:
    """Return the plan that a file holds; what `show` says beside it, and nobody can, is left out.

    Args:
        file: where it stands.
        schema: what it is to be.
        hour: the organisation's, of an episode's steps.

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
        document.pop("kept_by", None)
        if hour is not None and document.get("at") == hour:
            del document["at"]
    body, faults = load(schema, document, found=found)
    if faults:
        raise InvalidDocumentError(
            INVALID_BODY, [FieldError(pointer(one.path), one.code, one.detail) for one in faults]
        )
    return body


def _said(context: "Context", operator: "Caller", episode: str | None, options: argparse.Namespace) -> Said:
    from service.use_cases import writing_plans  # noqa: PLC0415 - loads the store

    if episode is None:
        found = writing_plans.organisation_plan_to_write(context, operator)
    else:
        found = writing_plans.episode_plan_to_write(context, operator, episode)
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
