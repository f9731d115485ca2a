"""The strip of a criterion: how far the measured value lies from its threshold, with every threshold on one line."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, NamedTuple

WIDTH, HEIGHT = 320, 24
LINE = 160
"""Where every threshold stands."""

_REACH = 150
_LEAST = 7
"""So far from the line is drawn what is off it at all: the eye must see on which side."""


class Strip(NamedTuple):
    """Where the mark of a strip stands: right of LINE is met, and left of it is not."""

    at: float
    bar_from: float
    bar_width: float


def strip_of(reason: Mapping[str, Any]) -> Strip | None:
    """Return the strip of a reason as `decision_view` gives it, None where it has no figures to draw.

    The distance from the line is the margin in relation to the greatest of threshold, value and margin, so that rows
    of other units can stand above each other. A margin is below zero where the threshold is missed, whichever way the
    comparison goes.
    """
    measured, threshold, margin = reason.get("measured"), reason.get("threshold"), reason.get("margin")
    if not (measured and threshold and margin):
        return None
    off = Decimal(margin["value"])
    scale = max(abs(off), abs(Decimal(threshold["value"])), abs(Decimal(measured["value"])))
    distance = float(off / scale) * _REACH if scale else 0.0
    if off and abs(distance) < _LEAST:
        distance = float(Decimal(_LEAST).copy_sign(off))
    at = round(LINE + distance, 1)
    return Strip(at, min(LINE, at), round(abs(distance), 1))
