"""Worst pain, the next morning and days of sessions."""

from fractions import Fraction
from typing import Any

import pytest

from tests.domain.small_record import (
    Draft,
    assessment,
    code_of,
    event,
    follow_up,
    reason_of,
    session,
    told,
)

WALK = {"sessions": ["walk"], "take": "latest", "minutes": 30, "within_days": 21}
PAIN = {**WALK, "metric": "worst_pain", "at_most": 2}
MORNING = {**WALK, "metric": "rise", "at_most": 1}
HARDEST = {
    "sessions": ["training", "match_training"],
    "take": "hardest",
    "minutes": 30,
    "within_days": 21,
    "metric": "worst_pain",
    "at_most": 2,
}
DAYS = {
    "sessions": ["training", "match_training"],
    "minutes": 30,
    "metric": "count",
    "within_days": 21,
    "at_least": 2,
}


def after(*sessions: dict[str, Any], **changes: Any) -> Draft:
    return assessment(since_last=told(sessions=sessions), **changes)


def walk(on: str, minutes: int | None = 30, **changes: Any) -> dict[str, Any]:
    return session("walk", on, minutes=minutes, **changes)


def training(on: str, minutes: int = 60, **changes: Any) -> dict[str, Any]:
    return session("training", on, minutes=minutes, **changes)


def match(on: str, minutes: int = 60, **changes: Any) -> dict[str, Any]:
    return session("match_training", on, minutes=minutes, **changes)


# Worst pain of the latest


@pytest.mark.parametrize(("pain", "code"), [(1, "met"), (2, "met"), (3, "above")])
def test_pain_in_a_session_on_the_line_is_met(pain: int, code: str) -> None:
    assert code_of(PAIN, after(walk("2026-11-18", worst_pain=pain))) == code


@pytest.mark.parametrize(("minutes", "code"), [(29, "missing_test"), (30, "met"), (31, "met")])
def test_a_session_must_be_long_enough(minutes: int, code: str) -> None:
    assert code_of(PAIN, after(walk("2026-11-18", minutes))) == code


def test_a_session_of_unknown_length_is_not_long_enough() -> None:
    assert code_of(PAIN, after(walk("2026-11-18", None))) == "missing_test"


def test_a_session_may_be_counted_in_efforts() -> None:
    drill = {"sessions": ["drill"], "take": "latest", "efforts": 3, "metric": "worst_pain", "at_most": 2}
    codes = [code_of(drill, after(session("drill", "2026-11-18", efforts=efforts))) for efforts in (2, 3)]
    assert codes == ["missing_test", "met"]


def test_a_criterion_that_asks_no_length_takes_any() -> None:
    any_walk = {"sessions": ["walk"], "take": "latest", "metric": "worst_pain", "at_most": 2}
    assert code_of(any_walk, after(walk("2026-11-18", None))) == "met"


def test_the_latest_session_counts_and_not_the_best() -> None:
    assert code_of(PAIN, after(walk("2026-11-16"), walk("2026-11-18", worst_pain=4))) == "above"


def test_a_quiet_session_makes_up_for_a_worse_one_before() -> None:
    assert code_of(PAIN, after(walk("2026-11-16", worst_pain=4), walk("2026-11-18"))) == "met"


def test_a_later_session_counts_whatever_its_length() -> None:
    assert reason_of(PAIN, after(walk("2026-11-16"), walk("2026-11-18", 5, worst_pain=4))).figure == 4


def test_a_shorter_report_of_the_same_date_is_one_session_with_the_longer() -> None:
    reports = walk("2026-11-18", 30, worst_pain=1), walk("2026-11-18", 10, worst_pain=4)
    assert reason_of(PAIN, after(*reports)).figure == 4


def test_sessions_of_other_kinds_do_not_count() -> None:
    assert code_of(PAIN, after(training("2026-11-18"))) == "missing_test"


@pytest.mark.parametrize(("on", "code"), [("2026-10-31", "met"), ("2026-10-30", "met"), ("2026-10-29", "too_old")])
def test_a_session_is_good_for_its_days(on: str, code: str) -> None:
    assert code_of(PAIN, after(walk(on))) == code


@pytest.mark.parametrize(
    ("on", "code"), [("2026-11-09", "before_setback"), ("2026-11-10", "before_setback"), ("2026-11-11", "met")]
)
def test_a_session_up_to_the_date_of_a_setback_lies_before_it(on: str, code: str) -> None:
    assert code_of(PAIN, event("setback", "2026-11-10"), after(walk(on))) == code


def test_a_session_told_in_an_earlier_battery_still_counts() -> None:
    assert code_of(PAIN, after(walk("2026-11-08"), on="2026-11-10"), assessment()) == "met"


def test_a_session_told_by_a_follow_up_counts() -> None:
    entries = assessment(on="2026-11-19", ref="first"), follow_up("first", on="2026-11-20", since_last=told())
    later = entries[1]._replace(document={**entries[1].document, "since_last": told(sessions=[walk("2026-11-20")])})
    assert code_of(PAIN, entries[0], later) == "met"


def test_a_session_after_the_moment_judged_does_not_count() -> None:
    entries = assessment(on="2026-11-18"), after(walk("2026-11-20"))
    assert code_of(PAIN, *entries, at="2026-11-19") == "missing_test"


def test_pain_in_a_session_not_answered_is_unanswered() -> None:
    assert code_of(PAIN, after(walk("2026-11-18", worst_pain=None))) == "unanswered"


def test_medication_of_the_session_masks_its_pain() -> None:
    assert code_of(PAIN, after(walk("2026-11-18", medication="opioid"))) == "masked"


def test_medication_of_the_session_not_answered_leaves_its_pain_unanswered() -> None:
    assert code_of(PAIN, after(walk("2026-11-18", medication=None))) == "unanswered"


def test_masked_pain_that_is_too_much_stays_not_met() -> None:
    assert code_of(PAIN, after(walk("2026-11-18", worst_pain=4, medication="opioid"))) == "above"


def test_of_several_reports_any_masking_medication_masks() -> None:
    reports = walk("2026-11-18", medication="none"), walk("2026-11-18", medication="paracetamol")
    assert code_of(PAIN, after(*reports)) == "masked"


# The hardest


def test_the_hardest_is_the_latest_of_the_highest_kind() -> None:
    sessions = match("2026-11-10", worst_pain=1), training("2026-11-09", worst_pain=9)
    assert reason_of(HARDEST, after(*sessions)).figure == 1


def test_every_later_session_of_these_kinds_counts_with_the_hardest() -> None:
    sessions = match("2026-11-10", worst_pain=1), training("2026-11-12", 5, worst_pain=3)
    assert reason_of(HARDEST, after(*sessions)).figure == 3


def test_a_lower_kind_on_the_date_of_the_hardest_is_not_later() -> None:
    sessions = match("2026-11-10", worst_pain=1), training("2026-11-10", worst_pain=3)
    assert reason_of(HARDEST, after(*sessions)).figure == 1


def test_a_highest_kind_too_short_leaves_the_next_kind_the_hardest() -> None:
    sessions = match("2026-11-10", 29, worst_pain=3), training("2026-11-12", worst_pain=1)
    assert reason_of(HARDEST, after(*sessions)).figure == 1


# The next morning


@pytest.mark.parametrize(("rise", "code"), [(0, "met"), (1, "met"), (2, "above")])
def test_a_rise_on_the_line_is_met(rise: int, code: str) -> None:
    assert code_of(MORNING, after(walk("2026-11-18", next_morning_rise=rise))) == code


def test_a_fall_is_met() -> None:
    assert reason_of(MORNING, after(walk("2026-11-18", next_morning_rise=-2))) == ("met", "met", Fraction(-2))


def test_a_morning_not_yet_told_is_awaited() -> None:
    reason = reason_of(MORNING, after(walk("2026-11-18", next_morning_rise=None)))
    assert (reason.status, reason.code) == ("not_assessed", "awaiting_response")


def test_a_morning_not_yet_told_does_not_hide_a_bad_one() -> None:
    sessions = walk("2026-11-16", next_morning_rise=3), walk("2026-11-18", 5, next_morning_rise=None)
    assert code_of(MORNING, after(*sessions)) == "above"


def test_a_morning_not_yet_told_is_awaited_though_another_is_quiet() -> None:
    sessions = walk("2026-11-16"), walk("2026-11-18", 5, next_morning_rise=None)
    assert code_of(MORNING, after(*sessions)) == "awaiting_response"


def test_a_quiet_morning_under_medication_is_masked() -> None:
    assert code_of(MORNING, after(walk("2026-11-18", medication="opioid"))) == "masked"


def test_no_session_leaves_the_morning_missing() -> None:
    assert code_of(MORNING, assessment()) == "missing_test"


# Days


@pytest.mark.parametrize(("days", "code"), [(1, "below"), (2, "met"), (3, "met")])
def test_days_with_a_session_on_the_line_are_met(days: int, code: str) -> None:
    assert code_of(DAYS, after(*(training(f"2026-11-1{day}") for day in range(days)))) == code


def test_two_sessions_of_one_day_are_one_day() -> None:
    assert reason_of(DAYS, after(training("2026-11-10"), match("2026-11-10"))).figure == 1


def test_a_session_told_twice_is_one() -> None:
    entries = after(training("2026-11-10"), on="2026-11-12"), after(training("2026-11-10"))
    assert reason_of(DAYS, *entries).figure == 1


def test_a_day_with_pain_beyond_the_limit_does_not_count() -> None:
    figures = [
        reason_of(DAYS, after(training("2026-11-10", worst_pain=pain), training("2026-11-12"))).figure
        for pain in (4, 5, 6)
    ]
    assert figures == [2, 2, 1]


def test_a_day_with_pain_not_answered_does_not_count() -> None:
    assert reason_of(DAYS, after(training("2026-11-10", worst_pain=None), training("2026-11-12"))).figure == 1


def test_a_short_session_that_hurt_spoils_the_day_of_a_long_one() -> None:
    assert reason_of(DAYS, after(training("2026-11-10"), match("2026-11-10", 5, worst_pain=9))).figure == 0


def test_sessions_before_the_last_setback_do_not_count() -> None:
    sessions = [training(f"2026-11-1{day}") for day in range(4)]
    assert reason_of(DAYS, event("giving_way", "2026-11-11"), after(*sessions)).figure == 2


def test_sessions_older_than_the_days_do_not_count() -> None:
    assert reason_of(DAYS, after(training("2026-10-29"), training("2026-10-30"))).figure == 1


def test_sessions_of_another_episode_do_not_count() -> None:
    other = after(training("2026-11-10"), episode="E2", on="2026-11-12")
    assert reason_of(DAYS, other, assessment()).figure == 0
