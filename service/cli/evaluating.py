"""`evaluate`: judge a battery, or one athlete's file of entries."""

import argparse
import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from marshmallow import ValidationError

from schemas.fields import Moment
from service.cli.decision_text import Options, decision_text, not_judged_text
from service.cli.files import bytes_of
from service.cli.layout import standard_output
from service.cli.outcomes import HELD, PASSED, Said
from service.cli.refusals import invalid_option
from service.domain.codes import PASS
from service.domain.errors import InvalidDocumentError
from service.settings import service_version
from service.use_cases.answer import answer_not_judged, evaluation_answer, with_working
from service.use_cases.choosing import chosen_set, named_set
from service.use_cases.evaluate import Evaluation, evaluate, target_stage
from service.use_cases.reading_entries import Clock
from service.use_cases.receiving import Received, receive


def add_to(groups: Any, shared: argparse.ArgumentParser) -> None:
    """Add the command."""
    summary = "judge a battery, or one athlete's file of entries, for a stage"
    command = groups.add_parser("evaluate", parents=[shared], help=summary, description=f"{summary.capitalize()}.")
    command.add_argument("file", metavar="FILE", help="a battery or a file of entries, as JSON; - for standard input")
    command.add_argument("--stage", help="the stage asked about; by default the one that the file names")
    command.add_argument(
        "--as-of",
        metavar="T",
        help="judge what is stored at this moment (2026-11-21T09:00:00+01:00), not the last battery as just posted",
    )
    command.add_argument(
        "--zone", metavar="Z", help="the time zone of local dates (Europe/Berlin); by default each time's own offset"
    )
    command.add_argument(
        "--set",
        metavar="SET",
        help="ID, ID/VERSION or a draft's YAML file; by default the greatest released set for the condition",
    )
    command.add_argument("--working", action="store_true", help="show the arithmetic of every criterion line by line")
    command.add_argument("--sources", action="store_true", help="show the publications behind every criterion")
    command.add_argument("--json", action="store_true", help="print the decision as JSON")
    command.set_defaults(command=_evaluate)


def _evaluate(options: argparse.Namespace) -> Said:
    clock = _clock(options.zone)
    as_of = _moment(options.as_of)
    received = receive(bytes_of(options.file))
    file = received.file
    criteria = named_set(options.set) if options.set is not None else chosen_set(file)
    stage = options.stage or target_stage(file)
    try:
        found = evaluate(file, criteria, stage=stage, clock=clock, as_of=as_of or file.get("as_of"))
    except InvalidDocumentError as error:
        raise _as_sent(error, received, is_option=as_of is not None) from None
    if found is None:
        answer = answer_not_judged(criteria, str(stage), service_version=service_version())
        text = _json(answer) if options.json else not_judged_text(answer, criteria, file, standard_output())
        return Said(PASSED, text)
    return _judged(found, received, options)


def _judged(found: Evaluation, received: Received, options: argparse.Namespace) -> Said:
    code = PASSED if found.verdict["outcome"] == PASS else HELD
    answer = evaluation_answer(found, service_version=service_version(), entries=received.file["entries"])
    if options.working:
        answer = with_working(answer, found)
    if options.json:
        return Said(code, _json(answer))
    shown = Options(has_working=options.working, has_sources=options.sources)
    return Said(code, decision_text(answer, found, received.file, shown, standard_output()))


def _json(answer: dict[str, Any]) -> str:
    return json.dumps(answer, ensure_ascii=False, indent=2) + "\n"


def _as_sent(error: InvalidDocumentError, received: Received, *, is_option: bool) -> InvalidDocumentError:
    """Return the faults where the sender wrote them: in the battery, or in an option."""
    if is_option and [one.pointer for one in error.errors] == ["#/as_of"]:
        return invalid_option(error.errors[0].detail, option="--as-of", code=error.errors[0].code)
    return received.as_sent(error)


def _clock(zone: str | None) -> Clock:
    now = datetime.now(UTC)  # noqa: TID251 - the real clock is chosen here, once
    if zone is None:
        return Clock(now)
    try:
        return Clock(now, ZoneInfo(zone))
    except (KeyError, ValueError, OSError):
        detail = f"there is no time zone {zone!r}; give a name of the time zone database, such as Europe/Berlin or UTC"
        raise invalid_option(detail, option="--zone", code="unknown_name") from None


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return Moment().deserialize(text)
    except ValidationError as error:
        code, _, detail = str(error.messages[0]).partition(": ")
        raise invalid_option(detail, option="--as-of", code=code) from None
