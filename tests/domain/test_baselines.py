"""Which baseline is valid, and `percent_of_baseline`."""

from fractions import Fraction
from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    Draft,
    assessment,
    baseline,
    code_of,
    event,
    measured,
    not_measured,
    reason_of,
)

SPRINT = {"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"}
HOP = {"test": "hop", "metric": "percent_of_baseline", "at_least": "90 %"}


def sprint(seconds: Any, **changes: Any) -> dict[str, Any]:
    return measured("sprint", None, seconds, **changes)


def before(seconds: Any = 9, *, on: str = "2026-08-01", **changes: Any) -> Draft:
    return baseline(sprint(seconds), on=on, **changes)


@pytest.mark.parametrize(("now", "code"), [("9.99", "met"), ("10", "met"), ("10.01", "below_baseline")])
def test_ninety_per_cent_of_the_baseline_is_met(now: str, code: str) -> None:
    assert code_of(SPRINT, before(9), assessment(sprint(now))) == code


def test_where_less_is_better_the_share_is_baseline_by_now() -> None:
    assert reason_of(SPRINT, before(9), assessment(sprint(12))).figure == 75


def test_where_more_is_better_the_share_is_now_by_baseline() -> None:
    reason = reason_of(HOP, baseline(measured("hop", LEFT, 120)), assessment(measured("hop", LEFT, 90)))
    assert reason == ("not_met", "below_baseline", Fraction(75))


def test_without_a_baseline_the_reference_is_missing() -> None:
    assert code_of(SPRINT, assessment(sprint(9))) == "missing_reference"


@pytest.mark.parametrize(
    ("on", "code"), [("2025-11-21", "met"), ("2025-11-20", "met"), ("2025-11-19", "missing_reference")]
)
def test_a_baseline_is_valid_for_its_days(on: str, code: str) -> None:
    assert code_of(SPRINT, before(on=on), assessment(sprint(9))) == code


@pytest.mark.parametrize(
    ("on", "code"), [("2026-09-30", "met"), ("2026-10-01", "missing_reference"), ("2026-10-02", "missing_reference")]
)
def test_a_baseline_is_from_before_the_onset(on: str, code: str) -> None:
    assert code_of(SPRINT, before(on=on), assessment(sprint(9))) == code


@pytest.mark.parametrize(("on", "code"), [("2026-09-30", "met"), ("2026-10-01", "missing_reference")])
def test_an_onset_given_as_a_month_begins_with_its_first_day(on: str, code: str) -> None:
    assert code_of(SPRINT, before(on=on), assessment(sprint(9), facts={"onset_on": "2026-10"})) == code


@pytest.mark.parametrize(
    ("on", "code"),
    [
        ("2026-02-28", "met"),
        ("2026-03-01", "missing_reference"),
        ("2026-04-30", "missing_reference"),
        ("2026-05-01", "met"),
    ],
)
def test_a_baseline_taken_while_another_episode_was_open_is_not_valid(on: str, code: str) -> None:
    other = assessment(episode="E2", on="2026-03-02", facts={"involved_side": "right", "onset_on": "2026-03-01"})
    closed = event("closed", "2026-04-30", episode="E2", cause="recovered")
    assert code_of(SPRINT, other, closed, before(on=on), assessment(sprint(9))) == code


def test_of_several_valid_baselines_the_latest_counts() -> None:
    entries = before(9, on="2026-08-01"), before(8, on="2026-05-01")
    assert reason_of(SPRINT, *entries, assessment(sprint(9))).figure == 100


def test_a_baseline_with_a_stop_gives_way_to_the_one_before() -> None:
    stopped = baseline(measured("sprint", None, 8, "pain"), on="2026-09-01")
    assert reason_of(SPRINT, before(9), stopped, assessment(sprint(9))).figure == 100


def test_a_baseline_with_too_few_trials_is_not_valid() -> None:
    lunge = {"test": "lunge", "metric": "percent_of_baseline", "at_least": "90 %"}
    few = baseline(measured("lunge", LEFT, 10, 10))
    assert code_of(lunge, few, assessment(measured("lunge", LEFT, 10, 10, 10))) == "missing_reference"


def test_a_baseline_of_nothing_divides_nothing() -> None:
    assert code_of(HOP, baseline(measured("hop", LEFT, 0)), assessment(measured("hop", LEFT, 100))) == (
        "missing_reference"
    )


def test_a_baseline_that_was_not_measured_is_none() -> None:
    unable = baseline(not_measured("sprint", None, "unable", "could_not"))
    assert code_of(SPRINT, unable, assessment(sprint(9))) == "missing_reference"


def test_a_baseline_under_another_setup_is_not_compared() -> None:
    taped = baseline(measured("sprint", None, 9, setup={"support": "tape"}))
    assert code_of(SPRINT, taped, assessment(sprint(9))) == "setup_differs"


def test_a_setup_absent_then_and_now_never_matches_across_occasions() -> None:
    assert code_of(SPRINT, before(setup={}), assessment(sprint(9), setup={})) == "setup_differs"


def test_an_older_baseline_under_the_same_setup_serves() -> None:
    taped = baseline(measured("sprint", None, 8, setup={"support": "tape"}), on="2026-09-01")
    assert reason_of(SPRINT, before(9), taped, assessment(sprint(9))).figure == 100


def test_a_baseline_serves_every_episode() -> None:
    other = assessment(episode="E2", on="2026-10-20", facts={"onset_on": "2026-10-19"})
    assert code_of(SPRINT, before(), other, assessment(sprint(9))) == "met"


def test_of_two_involved_sides_a_missing_baseline_of_one_is_missing() -> None:
    hops = [measured("hop", side, 100) for side in ("left", "right")]
    assert code_of(HOP, baseline(hops[0]), assessment(hops, facts={"involved_side": "both"})) == "missing_reference"
