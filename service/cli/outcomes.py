"""What a command comes to: its exit code and what it says."""

from dataclasses import dataclass

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
