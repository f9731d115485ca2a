"""A metric over time as a small chart: where its points and its threshold stand. Pure arithmetic."""

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

WIDTH, HEIGHT = 280, 120
LEFT, RIGHT, TOP, BOTTOM = 12, 268, 16, 96

_ROOM = Decimal("0.12")
"""This share of the span stays free above and below, so that no point lies on the edge."""

_ABOVE, _BELOW = 5, 13
"""How far from its line the threshold is told, on the side where most of the values are not."""


class Point(NamedTuple):
    """A point and what it stands for."""

    x: float
    y: float
    said: Mapping[str, Any]


class Chart(NamedTuple):
    """The points in the order of their dates, the path through them, the height of the last threshold and its label."""

    points: list[Point]
    path: str
    threshold_y: float
    label_y: float


def chart_of(points: Sequence[Mapping[str, Any]]) -> Chart:
    """Return the chart of at least one point, each with `on`, `value` and `threshold`.

    The latest threshold is drawn; values rise upwards, whichever direction is the better one.
    """
    values = [Decimal(one["value"]) for one in points]
    threshold = Decimal(points[-1]["threshold"]["value"])
    low, high = min(*values, threshold), max(*values, threshold)
    room = (high - low) * _ROOM or Decimal(1)
    low, high = low - room, high + room
    first, last = points[0]["on"], points[-1]["on"]
    drawn = [
        Point(_x(one["on"], first, last), _y(value, low, high), one) for one, value in zip(points, values, strict=True)
    ]
    path = "M" + "L".join(f"{one.x} {one.y}" for one in drawn)
    limit = _y(threshold, low, high)
    are_above = sum(one.y for one in drawn) < limit * len(drawn)
    return Chart(drawn, path, limit, limit + _BELOW if are_above else limit - _ABOVE)


def _x(on: date, first: date, last: date) -> float:
    days = (last - first).days
    share = (on - first).days / days if days else 0.5
    return round(LEFT + share * (RIGHT - LEFT), 1)


def _y(value: Decimal, low: Decimal, high: Decimal) -> float:
    return round(BOTTOM - float((value - low) / (high - low)) * (BOTTOM - TOP), 1)
