"""`tests list`: what can be measured."""

import argparse
import json
from collections.abc import Mapping
from typing import Any

from service.cli.layout import Paper, standard_output
from service.cli.outcomes import PASSED, Said
from service.domain.errors import UnknownCriteriaSetError
from service.domain.units import NO_UNIT, of_dimension
from service.domain.words import listed
from service.use_cases.choosing import SHIPPED, named_set, shipped_sets


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "what can be measured"
    group = groups.add_parser("tests", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    tests = commands.add_parser("list", parents=[shared], help="every test: id, title, unit, sides, trials, better")
    tests.add_argument(
        "--set", metavar="SET", help="of one set only: ID, ID/VERSION or a draft's YAML file; by default of every set"
    )
    tests.add_argument("--verbose", action="store_true", help="with protocol, range and setup")
    tests.add_argument("--json", action="store_true", help="print the tests as JSON")
    tests.set_defaults(command=_list)


def _list(options: argparse.Namespace) -> Said:
    sets = [named_set(options.set)] if options.set is not None else shipped_sets()
    if not sets:
        message = f"{SHIPPED} lists no released criteria set; restore its published.sha256"
        raise UnknownCriteriaSetError(message)
    tests = {key: one for found in sets for key, one in found.document["catalogue"]["tests"].items()}
    if options.json:
        listed = [{"id": key, **one, "units": list(_units(one))} for key, one in tests.items()]
        return Said(PASSED, json.dumps({"tests": listed}, ensure_ascii=False, indent=2) + "\n")
    paper = standard_output()
    blocks = [_lines(key, one, paper, is_verbose=options.verbose) for key, one in tests.items()]
    return Said(PASSED, "".join("\n".join(block) + "\n" for block in blocks))


def _lines(key: str, one: Mapping[str, Any], paper: Paper, *, is_verbose: bool) -> list[str]:
    sides = "each side" if one["sides"] == "each" else "the person"
    trials = one["trials"]
    unit, *others = _units(one) or ("",)
    units = f" in {unit} (or {', '.join(others)})" if others else ""
    facts = f"{one['title']}; {one['quantity']}{units}, of {sides}; {_trials(trials)}; {one['better']} is better"
    lines = [paper.heading(key), *paper.wrapped(facts, indent=2, hanging=2)]
    if is_verbose:
        lines += paper.wrapped(one["protocol"], indent=4)
        setup = listed(one.get("must_match", ()))
        lines += paper.wrapped(f"Compared only under the same {setup}.", indent=4) if setup else []
    return lines


def _trials(trials: Mapping[str, Any]) -> str:
    least, most, scored = trials["minimum"], trials["maximum"], trials["scored"]
    sent = f"{least}" if least == most else f"{least} to {most}"
    counted = f", {trials['summary']} of the first {scored}" if scored > 1 else ""
    return f"{sent} {'trial' if most == 1 else 'trials'}{counted}"


def _units(one: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the units in which the test can be sent, its own first; counts and scores have none."""
    unit = one["unit"]
    return () if unit == NO_UNIT else (unit, *(other for other in of_dimension(unit) if other != unit))
