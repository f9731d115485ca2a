"""What the address of a list asks for: one of the choices there are; what is asked in vain is told, not passed over."""

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from flask import request

SORT = "sort"
FAULTY = 400

Choices = Mapping[str, Mapping[str, Any]]


def asked_of(choices: Choices) -> dict[str, str]:
    """Return what is asked for by each name, the first of its choices where it is nothing that there is."""
    return {name: _asked(name, each) for name, each in choices.items()}


def asked_in_vain(choices: Choices, others: Collection[str] = ()) -> list[str]:
    """Return in words what can't be done of what the address asks for; `others` are names that take any text."""
    return list(_in_vain(choices, others))


def _asked(name: str, choices: Mapping[str, Any]) -> str:
    asked = request.args.get(name, "")
    return asked if asked in choices else next(iter(choices))


def _in_vain(choices: Choices, others: Collection[str]) -> Iterator[str]:
    for name, asked in request.args.items():
        if name in choices and asked and asked not in choices[name]:
            yield f"“{asked}” is nothing to {name} by" if name == SORT else f"there is no {name} “{asked}”"
        elif name not in choices and name not in others:
            yield f"this page knows no “{name}”"
