"""`criteria adopt` and `criteria publish`: which versions judge in an organisation, and from which day."""

import argparse
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from schemas.governance import AdoptSchema, PublishSchema
from service.cli import at_database
from service.cli.layout import standard_output
from service.cli.outcomes import PASSED, Said
from service.cli.refusals import UnreadableFileError, as_lines, at_options, invalid_option, loaded
from service.domain.errors import ConflictError, CriteriaFaultsError, Fault

_OPTIONS = {"id": "ID/VERSION", "version": "ID/VERSION", "in_force_from": "--from", "replaces": "--replaces"}


def add_to(commands: Any, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the group `criteria`."""
    adopt = commands.add_parser(
        "adopt", parents=[shared], help="let a version that ships with the service judge from a day on"
    )
    adopt.add_argument("name", metavar="ID/VERSION", help="the version, such as lateral-ankle-sprain/1")
    adopt.set_defaults(command=_adopt)
    publish = commands.add_parser(
        "publish", parents=[shared], help="check a set of one's own, then let it judge from a day on"
    )
    publish.add_argument("path", metavar="FILE", help="the set's YAML file; its examples stand beside it")
    publish.set_defaults(command=_publish)
    for command in (adopt, publish):
        command.add_argument("--replaces", metavar="ID", help="another set for the condition, retired from that day on")
        command.add_argument("--from", dest="begins", metavar="DATE", required=True, help="its first day, YYYY-MM-DD")
        at_database.add_organisation(command)
        command.add_argument("--json", action="store_true", help="print the version as JSON")


def _adopt(options: argparse.Namespace) -> Said:
    from service.use_cases.governing import adopt  # noqa: PLC0415 - loads the store

    set_id, _, number = options.name.partition("/")
    if not (number.isascii() and number.isdigit()):
        detail = f"{options.name!r} names no version; write ID/VERSION, such as lateral-ankle-sprain/1"
        raise invalid_option(detail, option="ID/VERSION", code="bad_text")
    given = {
        "id": set_id,
        "version": int(number[:9]),
        "in_force_from": options.begins,
        "replaces": options.replaces,
    }
    body = loaded(AdoptSchema(), given, _OPTIONS)
    with _conflicts_at_options(), at_database.at_organisation(options) as (context, operator):
        done = adopt(context, operator, body)
    return _said(options, done.answer, is_new=done.is_new)


def _publish(options: argparse.Namespace) -> Said:
    from service.criteria_files import examples_beside  # noqa: PLC0415 - reads YAML
    from service.use_cases.criteria_text import Text  # noqa: PLC0415 - likewise
    from service.use_cases.governing import publish_text  # noqa: PLC0415 - loads the store

    body = loaded(PublishSchema(), {"in_force_from": options.begins, "replaces": options.replaces}, _OPTIONS)
    path = Path(options.path)
    beside = examples_beside(path)
    text = Text(_text(path), _text(beside))
    try:
        with _conflicts_at_options(), at_database.at_organisation(options) as (context, operator):
            done = publish_text(context, operator, text, body)
    except CriteriaFaultsError as error:
        found = [_at(one, path, beside) for one in error.faults]
        raise CriteriaFaultsError(found, warnings=[_at(one, path, beside) for one in error.warnings]) from None
    return _said(options, done.answer, is_new=done.is_new)


@contextmanager
def _conflicts_at_options() -> Iterator[None]:
    try:
        yield
    except ConflictError as error:
        raise ConflictError(error.code, error.message, errors=at_options(error.errors, _OPTIONS)) from None


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        message = f"{path} can't be read ({error.strerror}); look at its name and rights"
        raise UnreadableFileError(message) from None
    except UnicodeDecodeError:
        message = f"{path} is not UTF-8; save it as UTF-8"
        raise UnreadableFileError(message) from None


def _at(fault: Fault, path: Path, beside: Path) -> Fault:
    """Return a fault of the text at the file that it was read from."""
    if fault.file.startswith("catalogue/"):
        return fault
    return fault._replace(file=str(beside if fault.file.endswith(".examples.yaml") else path))


def _said(options: argparse.Namespace, answer: Mapping[str, Any], *, is_new: bool) -> Said:
    if options.json:
        return Said(PASSED, json.dumps(answer, ensure_ascii=False, indent=2) + "\n")
    name = f"{answer['id']}/{answer['version']}"
    lines = [
        f"{name}: in force from {answer['in_force_from']} on{'' if is_new else ', as before; nothing was changed'}",
        f"{answer['digest']}",
        *standard_output().wrapped(f"For: {answer['intended_user']}"),
        *standard_output().wrapped(f"Limits: {answer['limits']}"),
        *standard_output().wrapped(f"Caution: {answer['caution']['text']}"),
    ]
    return Said(PASSED, as_lines(lines))
