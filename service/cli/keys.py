"""`keys create`, `keys list` and `keys revoke`: access keys, as the operator gives and takes them."""

import argparse
import json
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any

from schemas.access import ADMINISTRATOR, GivenKeySchema
from service.cli import at_database
from service.cli.layout import Paper, minute, standard_output
from service.cli.outcomes import PASSED, Said
from service.cli.pages import every_item
from service.cli.refusals import as_lines, known_id, loaded, option_faults
from service.domain.errors import InvalidDocumentError

if TYPE_CHECKING:
    from service.use_cases.context import Caller, Context

NONE = "There is no access key yet; make one with `rts-service keys create`."
NO_ADMINISTRATOR = "No valid key of an administrator is left; make one with `rts-service keys create`."

_OPTIONS = {
    "display_name": "--actor",
    "kind": "--kind",
    "profession": "--profession",
    "registration": "--registration",
    "email": "--email",
    "roles": "--role",
    "label": "--label",
    "expires": "--expires",
    "expires_at": "--expires",
}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "make, list and revoke access keys"
    group = groups.add_parser("keys", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_create(commands, shared)
    every = commands.add_parser("list", parents=[shared], help="every key with its holder, newest first")
    every.set_defaults(command=_list)
    revoke = commands.add_parser("revoke", parents=[shared], help="close a key at once, for good")
    revoke.add_argument("id", metavar="ID", help="the key's id, as `keys list` shows it")
    revoke.set_defaults(command=_revoke)
    for command in (every, revoke):
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print the keys as JSON")


def _add_create(commands: Any, shared: argparse.ArgumentParser) -> None:
    create = commands.add_parser(
        "create",
        parents=[shared],
        help="make a key, which is shown once",
        description="Make a key, which is shown once. A name that an actor has already gets a further key; else the "
        "actor is made, and --kind and --role say what it is.",
    )
    create.add_argument("--actor", metavar="NAME", required=True, help="who holds the key")
    create.add_argument("--kind", metavar="KIND", help="person or system")
    create.add_argument(
        "--role",
        metavar="ROLE",
        action="append",
        help="submitter, clinician or administrator; may be given several times",
    )
    create.add_argument("--profession", metavar="P", help="a person's; needed for the role clinician")
    create.add_argument("--registration", metavar="R", help="a person's number with the register of the profession")
    create.add_argument("--email", metavar="ADDRESS", help="where a person is sent reminders")
    create.add_argument("--label", metavar="TEXT", help="what the key is for")
    create.add_argument("--expires", metavar="DATE", help="the last day on which it is valid; by default it has no end")
    at_database.add_organisation(create)
    create.add_argument("--json", action="store_true", help="print the key as JSON")
    create.set_defaults(command=_create)


def _create(options: argparse.Namespace) -> Said:
    from service.use_cases.giving_keys import give_key  # noqa: PLC0415 - loads the store

    key = loaded(GivenKeySchema(), {"label": options.label, "expires": options.expires}, _OPTIONS)
    with at_database.at_organisation(options) as (context, operator):
        try:
            made = give_key(context, operator, _actor(options), _with_end(key, operator))
        except InvalidDocumentError as error:
            raise option_faults(error.errors, _OPTIONS) from None
    if options.json:
        return Said(PASSED, json.dumps(made, ensure_ascii=False, indent=2) + "\n")
    paper = standard_output()
    return Said(PASSED, as_lines([*_lines(made, paper), *paper.wrapped(made["note"]), made["secret"]]))


def _actor(options: argparse.Namespace) -> dict[str, Any]:
    told = {
        "display_name": options.actor.strip(),
        "kind": options.kind,
        "roles": options.role,
        "profession": options.profession,
        "registration": options.registration,
        "email": options.email,
    }
    return {field: one for field, one in told.items() if one is not None}


def _with_end(key: dict[str, Any], operator: "Caller") -> dict[str, Any]:
    """Return a key with the moment of its end: its last day is over where the organisation's next one begins."""
    if "expires" not in key:
        return key
    next_day = key["expires"] + timedelta(days=1)
    end = datetime.combine(next_day, time(), operator.zone).astimezone(UTC)
    return {field: one for field, one in key.items() if field != "expires"} | {"expires_at": end}


def _list(options: argparse.Namespace) -> Said:
    with at_database.at_organisation(options) as (context, operator):
        found = list(_every(context, operator))
    if options.json:
        return Said(PASSED, json.dumps({"access_keys": found}, ensure_ascii=False, indent=2) + "\n")
    paper = standard_output()
    return Said(PASSED, as_lines([line for one in found for line in _lines(one, paper)] or [NONE]))


def _every(context: "Context", operator: "Caller") -> Iterator[dict[str, Any]]:
    from service.use_cases.access_keys import list_access_keys  # noqa: PLC0415 - loads the store

    return every_item(partial(list_access_keys, context, operator))


def _revoke(options: argparse.Namespace) -> Said:
    from service.use_cases.access_keys import revoke_access_key  # noqa: PLC0415 - loads the store

    with at_database.at_organisation(options) as (context, operator):
        revoked = revoke_access_key(context, operator, known_id(options.id, shown_by="`keys list`"))
        left = list(_every(context, operator))
    is_left = any(one["state"] == "valid" and ADMINISTRATOR in one["roles"] for one in left)
    err = "" if is_left else as_lines([NO_ADMINISTRATOR])
    if options.json:
        return Said(PASSED, json.dumps(revoked, ensure_ascii=False, indent=2) + "\n", err)
    return Said(PASSED, as_lines(_lines(revoked, standard_output())), err)


def _lines(key: dict[str, Any], paper: Paper) -> list[str]:
    """Return a key as people read it: its id, how it stands, who holds it and when it was used."""
    facts = [
        f"{key['actor']['display_name']}: {', '.join(key['roles'])}",
        *([key["label"]] if key["label"] else []),
        f"made {minute(key['created_at'])}",
        f"last used {key['last_used_on']}" if key["last_used_on"] else "not used yet",
        f"ends {minute(key['expires_at'])}" if key["expires_at"] else "no end",
    ]
    return [f"{paper.heading(key['id'])}  {key['state'].replace('_', ' ')}", *paper.wrapped("; ".join(facts), indent=2)]
