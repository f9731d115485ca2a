"""Units of one dimension, their factors, and conversion. All factors against another library: tests/external."""

from decimal import Decimal
from fractions import Fraction

import pytest

from service.domain.numbers import Pair
from service.domain.units import UNITS, convert, factor, of_dimension, same_dimension


def exact(one: Pair) -> Fraction:
    return Fraction(one.numerator) / Fraction(one.denominator)


@pytest.mark.parametrize(
    ("unit", "to", "expected"),
    [("[in_i]", "cm", "2.54"), ("[lb_av]", "kg", "0.45359237"), ("kgf", "N", "9.80665"), ("min", "s", "60")],
)
def test_a_unit_is_defined_exactly(unit: str, to: str, expected: str) -> None:
    assert exact(factor(unit, to)) == Fraction(expected)


def test_a_factor_may_not_end_as_a_decimal() -> None:
    assert exact(factor("cm", "[in_i]")) == Fraction(50, 127)


def test_a_value_is_converted_exactly() -> None:
    assert exact(convert(Pair(Decimal("12.5")), "[in_i]", "mm")) == Fraction("317.5")


def test_a_value_in_its_own_unit_stays_as_it_is() -> None:
    value = Pair(Decimal("9.60"))
    assert convert(value, "s", "s") is value


@pytest.mark.parametrize("unit", UNITS)
def test_there_and_back_is_the_value(unit: str) -> None:
    value = Pair(Decimal("7.25"))
    for other in of_dimension(unit):
        assert exact(convert(convert(value, unit, other), other, unit)) == Fraction("7.25")


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("cm", "[in_i]", True),
        ("N", "kgf", True),
        ("%", "1", True),
        ("cm", "s", False),
        ("kg", "kgf", False),
        ("cm", "furlong", False),
        ("furlong", "cm", False),
    ],
)
def test_units_of_one_dimension_can_be_converted(one: str, other: str, same: bool) -> None:  # noqa: FBT001 - a case
    assert same_dimension(one, other) is same


def test_the_units_of_a_dimension_are_listed() -> None:
    assert of_dimension("s") == ("s", "ms", "min")
