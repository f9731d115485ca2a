"""Athletes exactly on a threshold, where binary floats or a division of Decimals would say otherwise.

The cases are searched for, not chosen: every pair (or pair of three trials) in a range whose exact quotient is the
threshold and whose inexact quotient is not. Exact here means fractions of whole numbers, which is not how the engine
compares (it cross-multiplies Decimals).
"""

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import islice
from typing import Any

import pytest

from tests.domain.small_record import assessment, both, reason_of

PER_CENT = (90, 85, 80)
PAIRS, MEANS = 20, 20  # at most, for each threshold
LAST_DIGIT = Decimal("0.01")


def on_the_line(per_cent: int) -> Iterator[tuple[Decimal, Decimal]]:
    """Yield involved and other, to the hundredth, whose exact quotient is the threshold and whose float is not."""
    for hundredths in range(1, 100_000):
        exact = Fraction(hundredths * per_cent, 100)
        if exact.denominator != 1:
            continue
        involved, other = Decimal(exact.numerator) / 100, Decimal(hundredths) / 100
        if float(involved) / float(other) * 100 < per_cent:
            yield involved, other


def means_on_the_line(per_cent: int) -> Iterator[tuple[list[Decimal], list[Decimal]]]:
    """Yield three trials a side whose means have the threshold as exact quotient, by floats and by Decimals less."""
    for hundredths in range(10, 100_000):
        exact = Fraction(hundredths * per_cent, 100)
        if exact.denominator != 1:
            continue
        involved, other = (three_trials(total) for total in (exact.numerator, hundredths))
        if is_short_by_floats(involved, other, per_cent) and is_short_by_decimals(involved, other, per_cent):
            yield involved, other


def three_trials(total: int) -> list[Decimal]:
    """Return three unequal trials, to the hundredth, of a total in hundredths."""
    third = total // 3
    return [Decimal(trial) / 100 for trial in (third - 1, third + 2, total - 2 * third - 1)]


def is_short_by_floats(involved: list[Decimal], other: list[Decimal], per_cent: int) -> bool:
    means = [sum(float(trial) for trial in side) / 3 for side in (involved, other)]
    return means[0] / means[1] * 100 < per_cent


def is_short_by_decimals(involved: list[Decimal], other: list[Decimal], per_cent: int) -> bool:
    means = [sum(side, Decimal(0)) / 3 for side in (involved, other)]
    return means[0] / means[1] * 100 < per_cent


RATIOS = [(one, per_cent) for per_cent in PER_CENT for one in islice(on_the_line(per_cent), PAIRS)]
OF_THREE = [(one, per_cent) for per_cent in PER_CENT for one in islice(means_on_the_line(per_cent), MEANS)]


def judged(test: str, involved: Any, other: Any, per_cent: int) -> tuple[str, Fraction | None]:
    criterion = {"test": test, "metric": "limb_symmetry_index", "at_least": f"{per_cent} %"}
    reason = reason_of(criterion, assessment(both(test, involved, other)))
    return reason.status, reason.figure


def test_there_are_enough_cases() -> None:
    assert len(RATIOS) >= 30
    assert len(OF_THREE) >= 30


@pytest.mark.parametrize(("sides", "per_cent"), RATIOS)
def test_a_ratio_exactly_on_the_threshold_is_met_and_a_digit_below_is_not(
    sides: tuple[Decimal, Decimal], per_cent: int
) -> None:
    involved, other = sides
    assert judged("hop", involved, other, per_cent) == ("met", Fraction(per_cent))
    below, figure = judged("hop", involved - LAST_DIGIT, other, per_cent)
    assert below == "not_met"
    assert figure is not None
    assert figure < per_cent


@pytest.mark.parametrize(("sides", "per_cent"), OF_THREE)
def test_a_mean_of_three_exactly_on_the_threshold_is_met_and_a_digit_below_is_not(
    sides: tuple[list[Decimal], list[Decimal]], per_cent: int
) -> None:
    involved, other = sides
    assert judged("lunge", involved, other, per_cent) == ("met", Fraction(per_cent))
    first, *rest = involved
    below, figure = judged("lunge", [first - LAST_DIGIT, *rest], other, per_cent)
    assert below == "not_met"
    assert figure is not None
    assert figure < per_cent
