"""`organisation create` and `organisation list`: who keeps a record in this database."""

import argparse
import json
from typing import Any

from schemas.access import OrganisationSchema
from service.cli import at_database
from service.cli.layout import standard_output
from service.cli.outcomes import PASSED, Said
from service.cli.refusals import as_lines, loaded

SHOWN_ONCE = "Access key of its first administrator. Keep it now: it is shown this once, and only its digest is stored."
NONE = "There is no organisation yet; make one with `rts-service organisation create`."

_OPTIONS = {"name": "NAME", "time_zone": "--zone"}


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "make and list organisations: the clinics, clubs and schools that keep a record"
    group = groups.add_parser("organisation", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    create = commands.add_parser(
        "create", parents=[shared], help="make an organisation, and one administrator's key, which is shown once"
    )
    create.add_argument("name", metavar="NAME", help="what it is called")
    create.add_argument(
        "--zone", metavar="Z", required=True, help="the time zone in which its days begin, such as Europe/Berlin"
    )
    at_database.add_options(create)
    create.add_argument("--json", action="store_true", help="print the organisation and the key as JSON")
    create.set_defaults(command=_create)
    every = commands.add_parser("list", parents=[shared], help="every organisation: id, name, time zone")
    at_database.add_options(every)
    every.add_argument("--json", action="store_true", help="print the organisations as JSON")
    every.set_defaults(command=_list)


def _create(options: argparse.Namespace) -> Said:
    from service.use_cases.organisations import create_organisation  # noqa: PLC0415 - loads the store

    body = loaded(OrganisationSchema(), {"name": options.name, "time_zone": options.zone}, _OPTIONS)
    with at_database.opened(options) as context:
        made = create_organisation(context, body)
    if options.json:
        return Said(PASSED, json.dumps(made, ensure_ascii=False, indent=2) + "\n")
    one, key = made["organisation"], made["access_key"]
    return Said(PASSED, as_lines([_line(one), *standard_output().wrapped(SHOWN_ONCE), key["secret"]]))


def _list(options: argparse.Namespace) -> Said:
    from service.use_cases.organisations import list_organisations  # noqa: PLC0415 - loads the store

    with at_database.opened(options) as context:
        found = list_organisations(context)
    if options.json:
        return Said(PASSED, json.dumps({"organisations": found}, ensure_ascii=False, indent=2) + "\n")
    return Said(PASSED, as_lines([_line(one) for one in found] or [NONE]))


def _line(one: dict[str, Any]) -> str:
    return f"{one['id']}  {one['name']}, {one['time_zone']}"
