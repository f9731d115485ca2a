"""`record ...`: what a named person adds to the record, with an access key of their own.

The operator at the command line is nobody with a profession; so these commands act as the person whose key they read.
"""

import argparse
import json
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from marshmallow import Schema

from schemas.appending import PostedEventSchema, PostedExceptionSchema, PostedResolutionSchema
from schemas.signing import PositionSignOffSchema, SignOffSchema
from service.cli import at_database
from service.cli.layout import standard_output
from service.cli.outcomes import PASSED, Said
from service.cli.refusals import as_lines, known_id, loaded, option_faults
from service.domain.errors import InvalidDocumentError
from service.domain.record import CLOSED


class Option(NamedTuple):
    """An option of a command: of which field of the body it is, and whether it may be given several times."""

    field: str
    flag: str
    metavar: str
    help: str
    is_list: bool = False


class Command(NamedTuple):
    """A command: whom its arguments name, what its options say, and what is always said."""

    name: str
    help: str
    names: Sequence[tuple[str, str]]
    schema: type[Schema]
    options: Sequence[Option]
    always: Mapping[str, Any] = {}


_EPISODE = ("episode", "the episode's id, as `decisions list --json` shows it")
_POSITION = (
    Option("stage", "--stage", "STAGE", "of the position: where the athlete stands from now on"),
    Option(
        "participation",
        "--participation",
        "P",
        "of the position: none, modified_training, full_training, restricted_competition or competition",
    ),
    Option("conditions", "--conditions", "TEXT", "under which the athlete takes part"),
    Option("valid_until", "--until", "DATE", "the last day on which it holds; it lapses by itself"),
    Option("informed", "--informed", "WHO", "who was told; may be given several times", is_list=True),
    Option("rationale", "--rationale", "TEXT", "why"),
)
_ON = Option("on", "--on", "DATE", "the day; by default it is so from now on")
COMMANDS = (
    Command(
        "sign-off",
        "sign off a decision, as its digest says that it was seen",
        (("decision", "the decision's id, as `decisions list` shows it"),),
        SignOffSchema,
        (
            Option("decision_digest", "--digest", "SHA256", "the digest of what was seen (`decisions show ID --json`)"),
            Option("determination", "--determination", "D", "agree, stricter, override or defer"),
            Option(
                "criteria_overridden",
                "--overrides",
                "CRITERION",
                "a criterion that an override sets aside; once for each that holds",
                is_list=True,
            ),
            *_POSITION,
        ),
    ),
    Command("position", "set the position without a decision", (_EPISODE,), PositionSignOffSchema, _POSITION),
    Command(
        "exception",
        "waive one criterion at one stage for one athlete until a date",
        (_EPISODE,),
        PostedExceptionSchema,
        (
            Option("stage", "--stage", "STAGE", "the stage at which it is waived"),
            Option("criterion", "--criterion", "ID", "the criterion"),
            Option("until", "--until", "DATE", "the last day"),
            Option("reason", "--reason", "TEXT", "why"),
            Option("criteria_set", "--set", "ID", "the criteria set, where several fit"),
        ),
    ),
    Command(
        "finding",
        "resolve a finding",
        (_EPISODE, ("finding", "the question of the referral screen that was answered yes")),
        PostedResolutionSchema,
        (
            Option("as", "--as", "R", "ruled_out, released or confirmed"),
            Option("rationale", "--rationale", "TEXT", "why"),
            _ON,
        ),
    ),
    Command(
        "event",
        "tell what happened to an episode, or what became known of it",
        (_EPISODE,),
        PostedEventSchema,
        (
            Option("kind", "--kind", "KIND", "giving_way, setback, re_injury, reclassified, corrected or ref_changed"),
            Option("on", "--on", "DATE", "the day"),
            Option("at", "--at", "MOMENT", "the moment with its offset, where it is known"),
            Option("condition", "--condition", "NAME", "of reclassified"),
            Option("involved_side", "--involved-side", "SIDE", "of corrected: left, right or both"),
            Option("onset_on", "--onset", "DATE", "of corrected: the day or the month"),
            Option("other_side", "--other-side", "STATE", "of corrected"),
            Option("ref", "--ref", "REF", "of ref_changed"),
        ),
    ),
    Command(
        "close",
        "close an episode with its cause",
        (_EPISODE,),
        PostedEventSchema,
        (Option("on", "--on", "DATE", "the day"), Option("cause", "--cause", "TEXT", "why it is closed")),
        {"kind": CLOSED},
    ),
)


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "add to the record as a named person: sign-off, position, exception, finding, event, closing"
    group = groups.add_parser("record", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for one in COMMANDS:
        command = commands.add_parser(one.name, parents=[shared], help=one.help)
        for name, what in one.names:
            command.add_argument(name, metavar=name.upper(), help=what)
        for option in one.options:
            action = "append" if option.is_list else "store"
            command.add_argument(
                option.flag, metavar=option.metavar, dest=f"of_{option.field}", action=action, help=option.help
            )
        at_database.add_key(command)
        command.add_argument("--json", action="store_true", help="print the entry as JSON")
        command.set_defaults(command=_record, what=one)


def _record(options: argparse.Namespace) -> Said:
    one: Command = options.what
    flags = {option.field: option.flag for option in one.options} | {"position": "--stage, --participation"}
    names = [_named(options, name) for name, _ in one.names]
    body = loaded(one.schema(), _body(options, one), flags)
    with at_database.as_person(options) as (context, person):
        try:
            made = _use_case(one.name)(context, person, *names, body, uuid.uuid4().hex)
        except InvalidDocumentError as error:
            raise option_faults(error.errors, flags) from None
    answer = made.answer
    if options.json:
        return Said(PASSED, json.dumps(answer, ensure_ascii=False, indent=2) + "\n")
    said = f"{answer['kind'].replace('_', ' ')}, recorded by {person.name}, {person.profession or 'no profession'}"
    lines = [f"{answer['id']}  {said}", *(f"{id_} does not stand any more" for id_ in answer["withdrawn"])]
    caution = standard_output().wrapped(answer["caution"]["text"], first="Caution: ") if "caution" in answer else []
    return Said(PASSED, as_lines([*lines, *caution]))


def _body(options: argparse.Namespace, one: Command) -> dict[str, Any]:
    told = {option.field: getattr(options, f"of_{option.field}") for option in one.options}
    body = {field: value for field, value in told.items() if value is not None} | dict(one.always)
    if issubclass(one.schema, PositionSignOffSchema):
        position = {field: body.pop(field) for field in ("stage", "participation") if field in body}
        body |= {"position": position} if position else {}
    return body


def _use_case(name: str) -> Callable[..., Any]:
    from service.use_cases import overruling, signing, telling_events  # noqa: PLC0415 - loads the store

    ways: Mapping[str, Callable[..., Any]] = {
        "sign-off": signing.sign_decision,
        "position": signing.sign_position,
        "exception": overruling.except_criterion,
        "finding": overruling.resolve_finding,
        "event": telling_events.tell_event,
        "close": telling_events.tell_event,
    }
    return ways[name]


def _named(options: argparse.Namespace, name: str) -> str:
    told = str(getattr(options, name))
    return told if name == "finding" else known_id(told, option=name.upper(), shown_by="`decisions list --json`")
