"""`decisions list`, `decisions show` and `decisions verify`: the history at the command line."""

import argparse
import json
import sys
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

from schemas.history import DecisionsQuerySchema
from service.cli import at_database
from service.cli.decision_text import Options, decision_text
from service.cli.layout import Paper, standard_output
from service.cli.outcomes import DIFFERS, PASSED, Said
from service.cli.pages import MORE, PAGE, add_filters, asked_of, every_item, faults_at_filters
from service.cli.refusals import as_lines
from service.domain.standing import STANDING
from service.use_cases.answer import with_working

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

NONE = "No decision fits."
_FILTERS = {
    "athlete_ref": ("--athlete", "REF", "of the athlete of this ref"),
    "outcome": ("--outcome", "O", "pass or hold"),
    "stage": ("--stage", "STAGE", "of this stage"),
    "state": ("--state", "S", "standing, expired, superseded, withdrawn or void"),
    "criterion": ("--criterion", "ID", "in which this criterion was not met or not assessed"),
    "signed": ("--signed", "true|false", "signed off, or not"),
    "from": ("--from", "DATE", "made on this day or later"),
    "to": ("--to", "DATE", "made on this day or earlier"),
    "limit": ("--limit", "N", "at most so many, newest first"),
}
_GOOD = ("identical", "same_verdict", "erased")
_MATCHES = "matches"


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "look at the decisions on record, and verify them"
    group = groups.add_parser("decisions", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    every = commands.add_parser("list", parents=[shared], help="the history, newest first")
    add_filters(every, _FILTERS)
    every.set_defaults(command=_list)
    show = commands.add_parser("show", parents=[shared], help="one decision as people read it")
    show.add_argument("id", metavar="ID", help="the decision's id, as `decisions list` shows it")
    show.add_argument("--working", action="store_true", help="show the arithmetic of every criterion line by line")
    show.add_argument("--sources", action="store_true", help="show the publications behind every criterion")
    show.set_defaults(command=_show)
    verify = commands.add_parser(
        "verify", parents=[shared], help="judge again from the stored record, and compare; exit code 1 if one differs"
    )
    verify.add_argument("id", metavar="ID", nargs="*", help="decisions; without one, all of them")
    verify.set_defaults(command=_verify)
    for command in (every, show, verify):
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print JSON")


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.history import list_decisions  # noqa: PLC0415 - loads the store

    asked = asked_of(options, _FILTERS, DecisionsQuerySchema())
    with at_database.at_organisation(options) as (context, operator), faults_at_filters(_FILTERS):
        page = list_decisions(context, operator, asked, limit=asked["limit"])
    more = "" if page.after is None else as_lines([MORE])
    if options.json:
        return Said(PASSED, _json({"items": page.items, "cautions": page.cautions}), more)
    paper = standard_output()
    lines = [_row(one) for one in page.items] or [NONE]
    cautions = dict.fromkeys(one["text"] for one in page.cautions.values())
    return Said(PASSED, as_lines([*lines, *(line for one in cautions for line in _caution(one, paper))]), more)


def _row(one: dict[str, Any]) -> str:
    who = one["athlete_ref"] or one["athlete_id"]
    because = f" ({', '.join(one['hold_because'])})" if one["hold_because"] else ""
    state = one["standing"]["state"]
    awaiting = "; awaiting sign-off" if one["standing"]["awaiting_sign_off"] else ""
    signed = "; signed off" if one["signed"] else awaiting
    outcome = one["outcome"] if state == STANDING else f"{one['outcome']}, {state}"
    return f"{one['id']}  {one['as_of'][:10]}  {who}  {one['target_stage']}: {outcome}{because}{signed}"


def _caution(text: str, paper: Paper) -> list[str]:
    return paper.wrapped(text, first="Caution: ")


def _show(options: argparse.Namespace) -> Said:
    from service.use_cases.recalling import recall  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        found = recall(context, operator, options.id.lower())
    answer = with_working(found.answer, found.evaluation) if options.working else found.answer
    if options.json:
        return Said(PASSED, _json(answer))
    asked = Options(has_working=options.working, has_sources=options.sources)
    athlete = {} if found.athlete_ref is None else {"ref": found.athlete_ref}
    return Said(PASSED, decision_text(answer, found.evaluation, {"athlete": athlete}, asked, standard_output()))


def _verify(options: argparse.Namespace) -> Said:
    from service.use_cases.verifying import verify_decision  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        ids = options.id or list(_every(context, operator))
        found = []
        for place, one in enumerate(ids, start=1):
            found.append(verify_decision(context, operator, one.lower()))
            if place % PAGE == 0:
                print(f"verified {place} of {len(ids)}", file=sys.stderr)
    wrong = [one for one in found if not _is_good(one)]
    code = DIFFERS if wrong else PASSED
    if options.json:
        return Said(code, _json({"items": found}))
    lines = [_verified(one) for one in (found if options.id else wrong)]
    lines.append(f"{len(found)} decisions verified, {len(wrong)} of them not as they were made")
    return Said(code, as_lines(lines))


def _every(context: "Context", operator: "Caller") -> Iterator[str]:
    from service.use_cases.history import list_decisions  # noqa: PLC0415 - loads the store

    return (one["id"] for one in every_item(partial(list_decisions, context, operator, {})))


def _is_good(one: dict[str, Any]) -> bool:
    return one["result"] in _GOOD and one["chain"]["intact"] and one["state"]["result"] == _MATCHES


def _verified(one: dict[str, Any]) -> str:
    chain = one["chain"]
    holds = "the record holds" if chain["intact"] else f"the record does not hold from entry {chain['first_broken']} on"
    return f"{one['decision_id']}: {_result(one)}; {holds}; the stored state: {_result(one['state'])}"


def _result(found: dict[str, Any]) -> str:
    what = f" ({', '.join(found['differences'])})" if found["differences"] else ""
    return f"{found['result'].replace('_', ' ')}{what}"


def _json(answer: dict[str, Any]) -> str:
    return json.dumps(answer, ensure_ascii=False, indent=2) + "\n"
