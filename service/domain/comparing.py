"""A figure against its threshold, the worse of two readings, the worst of several answers."""

from collections.abc import Sequence
from decimal import Decimal

from service.domain.codes import ABOVE, BELOW, BELOW_BASELINE, MET, RANK, STATUS, UNANSWERED
from service.domain.criteria import Criterion
from service.domain.numbers import Pair
from service.domain.readings import Reading, Use

_WORST_FIRST = {"not_met": 0, "not_assessed": 1, "met": 2}


def worse(criterion: Criterion, readings: Sequence[Reading]) -> Reading:
    """Return the worse of the readings: by status, then the worse figure, then the earlier code."""
    worst = readings[0]
    for one in readings[1:]:
        if _is_worse(criterion, one, worst):
            worst = one
    return worst


def _is_worse(criterion: Criterion, one: Reading, than: Reading) -> bool:
    if STATUS[one.code] != STATUS[than.code]:
        return _WORST_FIRST[STATUS[one.code]] < _WORST_FIRST[STATUS[than.code]]
    if one.measured is not None and than.measured is not None:
        side = one.measured.compare(than.measured)
        if side:
            return side > 0 if criterion.larger_is_worse else side < 0
    return RANK[one.code] < RANK[than.code]


def compare(criterion: Criterion, measured: Pair, uses: tuple[Use, ...], against: str | None = None) -> Reading:
    """Return the reading of a figure in the threshold's unit."""
    if criterion.meets(measured):
        return Reading(MET, measured, uses, against)
    if against == "baseline":
        return Reading(BELOW_BASELINE, measured, uses, against)
    return Reading(BELOW if criterion.comparator == "at_least" else ABOVE, measured, uses, against)


def unless_masked(reading: Reading, masking: str | None) -> Reading:
    """Return a reading of pain; one that would be met is not assessed where medication masks it."""
    return reading if masking is None or reading.code != MET else Reading(masking, None, reading.uses)


def worst_of(
    criterion: Criterion, answers: Sequence[int | None], uses: tuple[Use, ...], masking: Sequence[str | None]
) -> Reading:
    """Return the reading of the greatest answer; one not given leaves it open unless another is not met already."""
    given = [answer for answer in answers if answer is not None]
    reading = compare(criterion, Pair(Decimal(max(given))), uses) if given else Reading(UNANSWERED, None, uses)
    if reading.code == MET and len(given) < len(answers):
        return Reading(UNANSWERED, None, uses)
    codes = [code for code in masking if code is not None]
    return unless_masked(reading, min(codes, key=RANK.__getitem__) if codes else None)
