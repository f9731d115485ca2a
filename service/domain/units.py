"""UCUM units of the trade and their exact conversion.

Factors are exact by definition: the international yard and pound of 1959 (1 [in_i] = 2.54 cm,
1 [lb_av] = 0.45359237 kg) and standard gravity (CGPM 1901: 9.80665 m/s2), so 1 kgf = 9.80665 N.
"""

from decimal import Decimal
from functools import cache
from typing import NamedTuple

from service.domain.numbers import ONE, Pair


class Unit(NamedTuple):
    """A unit: what it measures, and how many of the dimension's first unit it is."""

    dimension: str
    size: Decimal


NO_UNIT = "1"
PER_CENT = "%"

UNITS: dict[str, Unit] = {
    "m": Unit("length", ONE),
    "cm": Unit("length", Decimal("0.01")),
    "mm": Unit("length", Decimal("0.001")),
    "[in_i]": Unit("length", Decimal("0.0254")),
    "[ft_i]": Unit("length", Decimal("0.3048")),
    "s": Unit("time", ONE),
    "ms": Unit("time", Decimal("0.001")),
    "min": Unit("time", Decimal(60)),
    "kg": Unit("mass", ONE),
    "g": Unit("mass", Decimal("0.001")),
    "[lb_av]": Unit("mass", Decimal("0.45359237")),
    "N": Unit("force", ONE),
    "kN": Unit("force", Decimal(1000)),
    "kgf": Unit("force", Decimal("9.80665")),
    "[lbf_av]": Unit("force", Decimal("4.4482216152605")),
    NO_UNIT: Unit("number", ONE),
    PER_CENT: Unit("number", Decimal("0.01")),
}


def same_dimension(one: str, other: str) -> bool:
    """Tell whether both are known units of one dimension."""
    return one in UNITS and other in UNITS and UNITS[one].dimension == UNITS[other].dimension


def of_dimension(unit: str) -> tuple[str, ...]:
    """Return every unit that can be sent in place of this one."""
    return tuple(code for code in UNITS if UNITS[code].dimension == UNITS[unit].dimension)


@cache
def factor(unit: str, to: str) -> Pair:
    """Return how many `to` one `unit` is; both must be of one dimension.

    >>> factor("[in_i]", "cm").lowest_terms()
    (127, 50)
    """
    numerator, denominator = Pair(UNITS[unit].size, UNITS[to].size).lowest_terms()
    return Pair(Decimal(numerator), ONE if denominator == 1 else Decimal(denominator))


def convert(value: Pair, unit: str, to: str) -> Pair:
    """Return a value given in one unit as a value in another of the same dimension."""
    return value if unit == to else value.times(factor(unit, to))
