"""`criteria check` and `criteria resolve`: the files of criteria sets; `adopt` and `publish` stand in `adopting`."""

import argparse
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.cli import adopting
from service.cli.outcomes import BAD_INPUT, PASSED, Said
from service.cli.refusals import UnreadableFileError, as_lines
from service.criteria_files.releases import write_released
from service.domain.errors import CriteriaFaultsError, Fault
from service.use_cases.choosing import catalogue_of

if TYPE_CHECKING:
    from service.use_cases.check_criteria import Checked

_VERSION = re.compile(r"[1-9][0-9]*\.yaml", re.ASCII)


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands of this group."""
    summary = "check, release, adopt and publish criteria sets"
    group = groups.add_parser("criteria", help=summary, description=f"{summary.capitalize()}.")
    commands = group.add_subparsers(title="commands", metavar="COMMAND", required=True)
    check = commands.add_parser(
        "check", parents=[shared], help="check a set, or every set of a folder, and run the examples"
    )
    check.add_argument("path", metavar="PATH", help="a set's file, or a folder: every N.yaml in it")
    check.set_defaults(command=_check)
    resolve = commands.add_parser(
        "resolve",
        parents=[shared],
        help="check a set, then write its resolved document and its line in published.sha256",
    )
    resolve.add_argument("path", metavar="PATH", help="a set's file, FOLDER/ID/VERSION.yaml")
    resolve.set_defaults(command=_resolve)
    adopting.add_to(commands, shared)


def _check(options: argparse.Namespace) -> Said:
    code, lines = PASSED, []
    check_criteria = _checker()
    for path in _files(Path(options.path)):
        try:
            checked = check_criteria(path, catalogue_of(path))
        except CriteriaFaultsError as error:
            code = BAD_INPUT
            lines += [*_listed(error.warnings, "warning: "), *_listed(error.faults, ""), f"{path}: {error.message}"]
        else:
            lines += [*_listed(checked.warnings, "warning: "), _sound(path, checked)]
    return Said(code, as_lines(lines))


def _resolve(options: argparse.Namespace) -> Said:
    path = Path(options.path)
    if path.is_dir():
        message = f"{path} is a folder; one version is released at a time, ID/VERSION.yaml"
        raise UnreadableFileError(message)
    checked = _checker()(path, catalogue_of(path))
    written = write_released(dict(checked.criteria.document), path)
    lines = [*_listed(checked.warnings, "warning: "), _sound(path, checked), f"{written}: {checked.criteria.digest}"]
    return Said(PASSED, as_lines(lines))


def _checker() -> Callable[[Path, Path], "Checked"]:
    from service.use_cases.check_criteria import check_criteria  # noqa: PLC0415 - no other command reads YAML

    return check_criteria


def _files(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]
    found = sorted(one for one in path.rglob("*.yaml") if _VERSION.fullmatch(one.name))
    if not found:
        message = f"{path} holds no criteria set; the files of its versions are called 1.yaml, 2.yaml and so on"
        raise UnreadableFileError(message)
    return found


def _listed(faults: Iterable[Fault], kind: str) -> list[str]:
    return [f"{one.file}:{one.line} {one.path}: {kind}{one.detail}" for one in faults]


def _sound(path: Path, checked: "Checked") -> str:
    warnings = f"{len(checked.warnings)} {'warning' if len(checked.warnings) == 1 else 'warnings'}"
    examples = f"{checked.examples} examples with {checked.expectations} expectations, all met"
    is_beside = catalogue_of(path).parent == path.resolve().parent.parent
    lent = "" if is_beside else "; no catalogue stands beside its folder, so the shipped one was read"
    return f"{path}: no faults, {warnings}; {examples}{lent}"
