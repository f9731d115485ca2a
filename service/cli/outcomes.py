"""What a command comes to: its exit code and what it says."""

import json
from dataclasses import dataclass
from typing import Any

PASSED = 0
DIFFERS = 1
BAD_INPUT = 2
HELD = 3
INTERNAL = 70
INTERRUPTED = 130


@dataclass(frozen=True, slots=True)
class Said:
    """The exit code of a command, what goes to standard output and what to standard error."""

    code: int
    out: str = ""
    err: str = ""


def printed(answer: Any, err: str = "") -> Said:
    """Return an answer as JSON."""
    return Said(PASSED, json.dumps(answer, ensure_ascii=False, indent=2) + "\n", err)
