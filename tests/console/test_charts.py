"""Where the points of a chart and its threshold stand."""

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.console.charts import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, chart_of

VALUES = st.lists(st.decimals(min_value=-100, max_value=100, places=1), min_size=1, max_size=12)
THRESHOLDS = st.decimals(min_value=-100, max_value=100, places=1)


def points(values, threshold):
    start = date(2026, 11, 1)
    return [
        {"on": start + timedelta(days=place), "value": str(value), "threshold": {"value": str(threshold)}}
        for place, value in enumerate(values)
    ]


@given(values=VALUES, threshold=THRESHOLDS)
def test_every_point_stays_in_its_chart_and_on_its_side_of_the_threshold(values, threshold):
    found = chart_of(points(values, threshold))

    for point, value in zip(found.points, values, strict=True):
        assert LEFT <= point.x <= RIGHT
        assert TOP <= point.y <= BOTTOM
        assert (found.threshold_y - point.y) * float(value - threshold) >= 0


def test_later_is_further_right_and_more_is_higher():
    found = chart_of(points([10, 20, 30], 15))

    assert [point.x for point in found.points] == sorted(point.x for point in found.points)
    assert [point.y for point in found.points] == sorted((point.y for point in found.points), reverse=True)
    assert (found.points[0].x, found.points[-1].x) == (LEFT, RIGHT)


def test_one_value_stands_in_the_middle():
    [point] = chart_of(points([10], 10)).points

    assert point.x == (LEFT + RIGHT) / 2


def test_the_threshold_is_told_on_the_side_where_the_values_are_not():
    over, under = chart_of(points([20, 30], 15)), chart_of(points([1, 2], 15))

    assert over.threshold_y < over.label_y < HEIGHT
    assert 0 < under.label_y < under.threshold_y
