"""Plain text in the width of the terminal; bold and faint only beside words that say the same."""

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

NARROWEST, WIDEST = 40, 110
STACKED_BELOW = 60
"""On narrower paper a figure stands under its name, not beside it."""

_CONTROL = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_UNIT = re.compile(r"(?<=\d) (?=(?:%|cm|mm|m|s|kg|N|points?|days?)(?!\w))")
_NAME = re.compile(r"\[[a-z0-9-]+\]")
_KEPT = "\u00a0"  # a figure and its unit stay on one line
_BOLD, _FAINT, _PLAIN = "\033[1m", "\033[2m", "\033[0m"


def printable(text: str) -> str:
    r"""Return a text that can't steer the terminal: control characters are written out as \xNN."""
    return _CONTROL.sub(lambda found: ascii(found.group())[1:-1], text)


def minute(moment: str) -> str:
    """Return a moment in UTC to the minute."""
    return f"{moment[:10]} {moment[11:16]} UTC"


@dataclass(frozen=True, slots=True)
class Paper:
    """What is written on: how wide it is, and whether it is a terminal, which shows bold and faint letters."""

    width: int = 80
    is_terminal: bool = False

    def heading(self, text: str) -> str:
        """Return a line in bold letters."""
        return f"{_BOLD}{printable(text)}{_PLAIN}" if self.is_terminal else printable(text)

    def wrapped(self, text: str, *, indent: int = 0, hanging: int = 0, first: str = "") -> list[str]:
        """Return a text as lines of at most the width.

        Args:
            text: one paragraph.
            indent: how far all its lines are indented.
            hanging: how much further all but the first are.
            first: what stands before the first line, inside its indent and hanging.
        """
        margin = " " * indent
        lines = textwrap.wrap(
            _UNIT.sub(_KEPT, printable(text)),
            self.width,
            initial_indent=margin + first,
            subsequent_indent=margin + " " * (hanging or len(first)),
            break_on_hyphens=False,
        )
        return [self.with_faint_names(line.replace(_KEPT, " ")) for line in lines]

    def bullets(self, texts: Iterable[str], *, indent: int = 2) -> list[str]:
        """Return texts as a list with dashes."""
        return [line for text in texts for line in self.wrapped(text, indent=indent, first="- ")]

    def with_faint_names(self, line: str) -> str:
        """Return a line whose names in square brackets are faint on a terminal."""
        if not self.is_terminal:
            return line
        return _NAME.sub(lambda found: f"{_FAINT}{found.group()}{_PLAIN}", line)


def standard_output() -> Paper:
    """Return the paper that standard output is."""
    width = shutil.get_terminal_size((80, 24)).columns
    is_terminal = (
        sys.stdout is not None
        and sys.stdout.isatty()
        and os.environ.get("TERM") != "dumb"
        and "NO_COLOR" not in os.environ
    )
    return Paper(min(max(width, NARROWEST), WIDEST), is_terminal)
