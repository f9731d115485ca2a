"""Exact numbers: Decimals as sent, and quotients kept as pairs until somebody reads them.

A quotient such as 8.64 / 9.60 is never divided to be compared: binary floats and Decimal division both misjudge
about a third of the pairs whose true value is the threshold.
"""

from decimal import (
    ROUND_HALF_EVEN,
    Context,
    Decimal,
    DivisionByZero,
    Inexact,
    InvalidOperation,
    Overflow,
    Rounded,
)
from math import gcd
from typing import NamedTuple

DIGITS = 12
SIGNIFICANT = 6

EXACT = Context(prec=400, traps=[Inexact, Rounded, InvalidOperation, DivisionByZero, Overflow])
_SIX_DIGITS = Context(prec=SIGNIFICANT, rounding=ROUND_HALF_EVEN, traps=[])

ZERO = Decimal(0)
ONE = Decimal(1)
HUNDRED = Decimal(100)


def _product(one: Decimal, other: Decimal) -> Decimal:
    """Return the exact product; most denominators are the constant 1, and that costs nothing."""
    return one if other is ONE else other if one is ONE else EXACT.multiply(one, other)


class Pair(NamedTuple):
    """A quotient of two Decimals; the denominator is positive."""

    numerator: Decimal
    denominator: Decimal = ONE

    def compare(self, other: "Pair") -> int:
        """Return -1, 0 or 1 by cross-multiplying, without any rounding.

        >>> Pair(Decimal("117"), Decimal("1.30")).compare(Pair(Decimal(90)))
        0
        """
        mine, theirs = self.numerator, other.numerator
        if self.denominator != other.denominator:
            mine, theirs = _product(mine, other.denominator), _product(theirs, self.denominator)
        return (mine > theirs) - (mine < theirs)

    def times(self, factor: "Pair") -> "Pair":
        """Return the product, unreduced."""
        return Pair(_product(self.numerator, factor.numerator), _product(self.denominator, factor.denominator))

    def over(self, other: "Pair") -> "Pair":
        """Return the quotient, unreduced; the other pair must be positive."""
        return Pair(_product(self.numerator, other.denominator), _product(self.denominator, other.numerator))

    def minus(self, other: "Pair") -> "Pair":
        """Return the difference, unreduced."""
        if self.denominator == other.denominator:
            return Pair(EXACT.subtract(self.numerator, other.numerator), self.denominator)
        mine = _product(self.numerator, other.denominator)
        theirs = _product(other.numerator, self.denominator)
        return Pair(EXACT.subtract(mine, theirs), _product(self.denominator, other.denominator))

    def lowest_terms(self) -> tuple[int, int]:
        """Return numerator and denominator as whole numbers without a common factor."""
        if self.denominator is ONE:
            return self.numerator.as_integer_ratio()
        above, below = self.numerator.as_integer_ratio()
        above_under, below_over = self.denominator.as_integer_ratio()
        numerator, denominator = above * below_over, below * above_under
        common = gcd(numerator, denominator)
        return numerator // common, denominator // common


def number(value: Decimal) -> str:
    """Return the one text of a number: no exponent, no trailing zeros, no "-0".

    >>> number(Decimal("90.0")), number(Decimal("1E+2")), number(Decimal("-0.0"))
    ('90', '100', '0')
    """
    text = format(value, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def figure(pair: Pair) -> str:
    """Return the quotient as exact decimal text, or to 6 significant digits where it does not end.

    >>> figure(Pair(Decimal("864"), Decimal("9.6"))), figure(Pair(Decimal(2), Decimal(3)))
    ('90', '0.666667')
    """
    return number(pair.numerator) if pair.denominator is ONE else figure_of(*pair.lowest_terms())


def figure_of(numerator: int, denominator: int) -> str:
    """Return `figure` of a quotient in lowest terms."""
    if denominator == 1:
        return str(numerator)
    context = EXACT if ends(denominator) else _SIX_DIGITS
    return number(context.divide(Decimal(numerator), Decimal(denominator)))


def ends(denominator: int) -> bool:
    """Tell whether a quotient in lowest terms with this denominator is a decimal that ends."""
    for prime in (2, 5):
        while denominator % prime == 0:
            denominator //= prime
    return denominator == 1


def rounded(pair: Pair, places: int) -> str:
    """Return the quotient rounded half to even at a number of decimal places, for people to read."""
    numerator, denominator = pair.lowest_terms()
    if denominator == 1:
        return str(numerator)
    scaled, rest = divmod(numerator * 10**places, denominator)
    twice = 2 * rest
    if twice > denominator or (twice == denominator and scaled % 2):
        scaled += 1
    return number(Decimal(scaled).scaleb(-places, EXACT))


def readable(pair: Pair, threshold: Pair, places: int) -> str:
    """Return the quotient with as many places as its side of the threshold needs to show.

    89.96 against 90 is never printed as 90.0: places are added until the text agrees with the comparison.
    """
    side = pair.compare(threshold)
    for more in range(places, places + DIGITS):
        text = rounded(pair, more)
        if Pair(Decimal(text)).compare(threshold) == side:
            return text
    return figure(pair)
