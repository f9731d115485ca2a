"""Exact numbers: comparison, lowest terms, limits, and text for programs and for people."""

from decimal import Decimal, Inexact
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.numbers import Pair, ends, figure, number, readable, rounded

FINITE = st.decimals(
    min_value=Decimal("-999999.999"), max_value=Decimal("999999.999"), places=3, allow_nan=False, allow_infinity=False
)
PAIRS = st.builds(Pair, FINITE, st.decimals(min_value=Decimal("0.001"), max_value=Decimal(999), places=3))


def pair(text: str) -> Pair:
    above, _, below = text.partition("/")
    return Pair(Decimal(above), Decimal(below or "1"))


def exact(one: Pair) -> Fraction:
    return Fraction(one.numerator) / Fraction(one.denominator)


# Comparison


@pytest.mark.parametrize(("involved", "side"), [("1.16", -1), ("1.17", 0), ("1.18", 1)])
def test_a_quotient_is_compared_without_dividing(involved: str, side: int) -> None:
    assert Pair(Decimal(involved), Decimal("1.30")).times(pair("100")).compare(pair("90")) == side


@given(PAIRS, PAIRS)
def test_comparison_is_that_of_fractions(one: Pair, other: Pair) -> None:
    difference = exact(one) - exact(other)
    assert one.compare(other) == (difference > 0) - (difference < 0)


@given(PAIRS, PAIRS)
def test_products_and_differences_are_exact(one: Pair, other: Pair) -> None:
    assert exact(one.times(other)) == exact(one) * exact(other)
    assert exact(one.minus(other)) == exact(one) - exact(other)


@given(PAIRS, PAIRS.filter(lambda one: one.numerator > 0))
def test_quotients_are_exact(one: Pair, other: Pair) -> None:
    assert exact(one.over(other)) == exact(one) / exact(other)


@given(PAIRS)
def test_lowest_terms_are_those_of_a_fraction(one: Pair) -> None:
    assert one.lowest_terms() == exact(one).as_integer_ratio()


def test_what_would_be_rounded_is_refused() -> None:
    long = Pair(Decimal("1" + "0" * 250 + "1"))
    with pytest.raises(Inexact):
        long.times(long)


# Text for programs


@pytest.mark.parametrize(
    ("sent", "text"),
    [
        ("90.0", "90"),
        ("90.50", "90.5"),
        ("100", "100"),
        ("1E+2", "100"),
        ("1E-3", "0.001"),
        ("0.000", "0"),
        ("-0", "0"),
        ("-0.00", "0"),
        ("-1.50", "-1.5"),
        ("0E+5", "0"),
    ],
)
def test_a_number_has_one_text(sent: str, text: str) -> None:
    assert number(Decimal(sent)) == text


@given(FINITE)
def test_the_text_of_a_number_is_the_number(value: Decimal) -> None:
    assert Decimal(number(value)) == value


@pytest.mark.parametrize(
    ("quotient", "text"),
    [("1.17/1.30", "0.9"), ("1/8", "0.125"), ("2/3", "0.666667"), ("200/3", "66.6667"), ("-1/3", "-0.333333")],
)
def test_a_figure_is_exact_where_it_ends_and_has_six_digits_where_it_does_not(quotient: str, text: str) -> None:
    assert figure(pair(quotient)) == text


def test_a_figure_of_a_whole_number_is_that_number() -> None:
    assert figure(pair("1E+3")) == "1000"


@pytest.mark.parametrize(
    ("denominator", "does"), [(1, True), (2, True), (5, True), (40, True), (3, False), (70, False)]
)
def test_a_decimal_ends_where_only_two_and_five_divide(
    denominator: int,
    does: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    assert ends(denominator) is does


# Text for people


@pytest.mark.parametrize(
    ("quotient", "text"),
    [("89.94", "89.9"), ("89.95", "90"), ("89.85", "89.8"), ("89.96", "90"), ("200/3", "66.7"), ("-89.94", "-89.9")],
)
def test_a_figure_is_rounded_half_to_even(quotient: str, text: str) -> None:
    assert rounded(pair(quotient), 1) == text


@pytest.mark.parametrize(
    ("quotient", "text"),
    [("89.96", "89.96"), ("89.999", "89.999"), ("90", "90"), ("90.04", "90.04"), ("90.06", "90.1"), ("80", "80")],
)
def test_a_figure_has_as_many_places_as_its_side_of_the_threshold_needs(quotient: str, text: str) -> None:
    assert readable(pair(quotient), pair("90"), 1) == text


def test_a_figure_nearer_than_any_places_is_written_in_full() -> None:
    near = Pair(Decimal("89.999999999999999"))
    assert readable(near, pair("90"), 1) == "89.999999999999999"
