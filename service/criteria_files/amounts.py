"""Quantities of criteria files against the unit that is wanted of them."""

from decimal import Decimal
from typing import Any

from service.domain.numbers import Pair
from service.domain.units import NO_UNIT, PER_CENT, UNITS, convert, of_dimension, same_dimension

ZERO = Pair(Decimal(0))


def misfit(amount: Any, unit: str) -> str | None:
    """Return what mends an amount that is not of the unit's dimension, or None where it fits.

    Args:
        amount: a bare number, or a map of value and unit.
        unit: the unit wanted: a UCUM code, `%`, or `1` for a bare number.
    """
    if isinstance(amount, dict):
        return _with_unit(amount, unit)
    if unit == NO_UNIT:
        return None
    return f"{amount} has no unit; write it with one, such as {amount} {unit}"


def _with_unit(amount: dict[str, Any], unit: str) -> str | None:
    sent = amount["unit"]
    if unit == NO_UNIT:
        return f"a count or a score has no unit; write the bare whole number without {sent}"
    if sent not in UNITS:
        return f"{sent} is no unit known here; write one of {_choices(unit)}"
    fits = sent == PER_CENT if unit == PER_CENT else same_dimension(sent, unit)
    return None if fits else f"{sent} is of another dimension; write one of {_choices(unit)}"


def _choices(unit: str) -> str:
    return PER_CENT if unit == PER_CENT else ", ".join(of_dimension(unit))


def in_unit(amount: Any, unit: str) -> Pair:
    """Return an amount that fits the unit, in that unit."""
    if isinstance(amount, dict):
        return convert(Pair(amount["value"]), amount["unit"], unit)
    return Pair(Decimal(amount))
