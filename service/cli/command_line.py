"""The commands, their options and their exit codes."""

import argparse
import io
import os
import sys
import traceback
from collections.abc import Sequence
from typing import TextIO

from service.cli import (
    catalogue,
    criteria,
    database,
    decisions,
    deliveries,
    demo,
    due,
    evaluating,
    keys,
    organisation,
    recording,
    reminders,
    reviews,
    serving,
    webhooks,
)
from service.cli.outcomes import INTERNAL, INTERRUPTED, Said
from service.cli.refusals import UnreadableFileError, refused
from service.domain.errors import ServiceError
from service.settings import service_version

DESCRIPTION = (
    "Judges return-to-sport test batteries against cited criteria. Decision support for qualified professionals: "
    "it advises, a named professional decides."
)
EXIT_CODES = "exit codes: 0 pass (or done), 3 hold, 1 the state differs from the record, 2 bad input, 70 internal error"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = _parser().parse_args(arguments)
    try:
        _refuse_closed_input(options)
        said: Said = options.command(options)
    except ServiceError as error:
        said = refused(error, as_json=getattr(options, "json", False))
    except KeyboardInterrupt:
        return INTERRUPTED
    except Exception as error:  # noqa: BLE001 - the last place that can say what happened
        said = _internal(error, options)
    return said.code if _has_said(said) else INTERNAL


def _refuse_closed_input(options: argparse.Namespace) -> None:
    """Refuse to read standard input where there is none: it was closed when the process began."""
    if getattr(options, "file", None) == "-" and sys.stdin is None:
        message = "standard input is closed; give a file"
        raise UnreadableFileError(message)


def _internal(error: Exception, options: argparse.Namespace) -> Said:
    """Return one line that shows nothing of the athlete's data, unless the whole trace is asked for."""
    trace = traceback.format_exc() if options.traceback else ""
    hint = "" if options.traceback else "; run it again with --traceback for the place"
    return Said(INTERNAL, err=f"{trace}rts-service: internal error ({type(error).__name__}){hint}\n")


def _has_said(said: Said) -> bool:
    """Write what a command says; False if it can't be written.

    A reader that has gone away, as `head` does, or a closed output changes nothing.
    """
    for stream, text in ((sys.stderr, said.err), (sys.stdout, said.out)):
        try:
            _write(stream, text)
        except BrokenPipeError:
            _forget(stream)
        except OSError as error:
            _forget(stream)
            _write(sys.stderr, f"rts-service: the output can't be written ({error.strerror})\n")
            return False
    return True


def _write(stream: TextIO | None, text: str) -> None:
    if stream is not None:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
        stream.write(text)
        stream.flush()


def _forget(stream: TextIO) -> None:
    """Send what is left in a stream's buffer nowhere: Python would complain at exit that it can't be flushed."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


class _Version(argparse.Action):
    """Print the release; it is looked up only where it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        sys.stdout.write(f"{parser.prog} {service_version()}\n")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="rts-service", description=DESCRIPTION, epilog=EXIT_CODES)
    parser.add_argument("--version", action=_Version, nargs=0, help="print the release and leave")
    parser.set_defaults(json=False)
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument("--traceback", action="store_true", help="on an internal error print where it happened")
    groups = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    evaluating.add_to(groups, shared)
    criteria.add_to(groups, shared)
    catalogue.add_to(groups, shared)
    organisation.add_to(groups, shared)
    keys.add_to(groups, shared)
    database.add_to(groups, shared)
    decisions.add_to(groups, shared)
    recording.add_to(groups, shared)
    due.add_to(groups, shared)
    reviews.add_to(groups, shared)
    reminders.add_to(groups, shared)
    webhooks.add_to(groups, shared)
    deliveries.add_to(groups, shared)
    serving.add_to(groups, shared)
    demo.add_to(groups, shared)
    return parser
