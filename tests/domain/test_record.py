"""Moments and onsets as the record keeps them."""

from datetime import date, datetime, timedelta, timezone

import pytest

from service.domain.record import first_day, instant, last_day


def test_a_moment_is_fixed_width_text_in_utc() -> None:
    local = datetime(2026, 1, 2, 3, 4, 5, 60, tzinfo=timezone(timedelta(hours=-2)))
    assert instant(local) == "2026-01-02T05:04:05.000060Z"


def test_moments_as_text_sort_as_time_does() -> None:
    early = datetime(2026, 11, 20, 23, 30, tzinfo=timezone(timedelta(hours=9)))
    late = datetime(2026, 11, 20, 10, 30, tzinfo=timezone(timedelta(hours=-9)))
    assert instant(early) < instant(late)


@pytest.mark.parametrize(
    ("onset", "first", "last"),
    [
        ("2026-10-04", date(2026, 10, 4), date(2026, 10, 4)),
        ("2026-10", date(2026, 10, 1), date(2026, 10, 31)),
        ("2026-12", date(2026, 12, 1), date(2026, 12, 31)),
        ("2024-02", date(2024, 2, 1), date(2024, 2, 29)),
    ],
)
def test_an_onset_is_a_day_or_a_month(onset: str, first: date, last: date) -> None:
    assert (first_day(onset), last_day(onset)) == (first, last)
