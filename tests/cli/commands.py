"""Commands run as a user runs them, in this process, and the files that they read."""

import json
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from service.cli import main

ROOT = Path(__file__).resolve().parent.parent.parent
SET = ROOT / "criteria_sets" / "lateral-ankle-sprain"
EXAMPLE, HELD = SET / "example-battery.json", SET / "example-hold.json"
CAUTION = "It is not a diagnosis and not permission to play"


class Ran(NamedTuple):
    """What a command came to."""

    code: int
    out: str
    err: str

    @property
    def words(self) -> str:
        """What was printed, without its line breaks."""
        return " ".join(self.out.split())


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> Ran:
    code = main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return Ran(code, printed.out, printed.err)


def written(path: Path, document: Any) -> Path:
    """Write a document as JSON; Decimals stand there as they are."""
    path.write_text(as_json(document), encoding="utf-8")
    return path


def as_json(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{json.dumps(key)}: {as_json(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(as_json, value)) + "]"
    return str(value) if isinstance(value, Decimal) else json.dumps(value)


def example(**changes: Any) -> dict[str, Any]:
    """Return the example battery; a change of None takes a key away."""
    body = json.loads(EXAMPLE.read_text(encoding="utf-8"), parse_float=Decimal)
    return {key: one for key, one in {**body, **changes}.items() if one is not None}
