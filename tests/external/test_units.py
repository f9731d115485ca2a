"""Unit factors against the `pint` library (pint.readthedocs.io), computed there with fractions."""

from fractions import Fraction
from itertools import product

import pint
import pytest

from service.domain.units import UNITS, factor, same_dimension

# What pint calls each UCUM code.
NAMES = {
    "m": "meter",
    "cm": "centimeter",
    "mm": "millimeter",
    "[in_i]": "inch",
    "[ft_i]": "foot",
    "s": "second",
    "ms": "millisecond",
    "min": "minute",
    "kg": "kilogram",
    "g": "gram",
    "[lb_av]": "pound",
    "N": "newton",
    "kN": "kilonewton",
    "kgf": "kilogram_force",
    "[lbf_av]": "pound_force",
    "1": "dimensionless",
    "%": "percent",
}
REGISTRY: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction)
PAIRS = list(product(NAMES, NAMES))


def test_every_unit_is_checked() -> None:
    assert set(NAMES) == set(UNITS)


@pytest.mark.parametrize(("unit", "to"), [pair for pair in PAIRS if same_dimension(*pair)])
def test_a_factor_is_exactly_that_of_pint(unit: str, to: str) -> None:
    expected = REGISTRY.Quantity(Fraction(1), NAMES[unit]).to(NAMES[to]).magnitude
    assert Fraction(*factor(unit, to).lowest_terms()) == expected


@pytest.mark.parametrize(("unit", "other"), PAIRS)
def test_the_dimensions_are_those_of_pint(unit: str, other: str) -> None:
    expected = REGISTRY.Unit(NAMES[unit]).dimensionality == REGISTRY.Unit(NAMES[other]).dimensionality
    assert same_dimension(unit, other) is expected
