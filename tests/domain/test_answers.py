"""Criteria of questions and of events; the rise on the morning after; medication that masks."""

from fractions import Fraction
from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    Draft,
    assessment,
    both,
    code_of,
    event,
    follow_up,
    measured,
    not_measured,
    reason_of,
    told,
)
from tests.domain.small_set import TESTS

NO_LIMP = {"question": "limp", "metric": "value", "is": False, "within_days": 1}
REST = {"question": "pain_at_rest", "metric": "value", "at_most": 2}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}
GAVE_WAY = {"events": ["giving_way"], "metric": "count", "within_days": 7, "at_most": 0}
PAIN_24H = {"test": "worst_pain_24h", "metric": "value", "at_most": 2}


def answering(**answers: Any) -> dict[str, Any]:
    return {key: one for key, one in {**QUIET, **answers}.items() if one is not None}


# Questions


def test_the_answer_that_is_required_is_met_without_a_figure() -> None:
    assert reason_of(NO_LIMP, assessment()) == ("met", "met", None)


def test_another_answer_is_not_met_without_a_figure() -> None:
    reason = reason_of(NO_LIMP, assessment(session_check=answering(limp=True)))
    assert reason == ("not_met", "is_not", None)


def test_a_question_not_answered_is_unanswered() -> None:
    assert code_of(NO_LIMP, assessment(session_check=answering(limp=None))) == "unanswered"


def test_no_older_answer_stands_in_for_the_judged_occasion() -> None:
    unanswered = assessment(session_check=answering(limp=None))
    assert code_of(NO_LIMP, assessment(on="2026-11-19"), unanswered) == "unanswered"


def test_of_two_answers_in_one_occasion_the_worse_counts() -> None:
    stations = assessment(occasion="day"), assessment(occasion="day", session_check=answering(limp=True), at="16:00")
    assert code_of(NO_LIMP, *stations) == "is_not"


@pytest.mark.parametrize(("at", "code"), [("2026-11-21", "met"), ("2026-11-22", "too_old")])
def test_an_answer_is_good_for_its_days(at: str, code: str) -> None:
    assert code_of(NO_LIMP, assessment(), at=at) == code


def test_an_answer_before_a_setback_does_not_serve() -> None:
    assert code_of(NO_LIMP, assessment(), event("setback", "2026-11-20"), at="2026-11-20") == "before_setback"


@pytest.mark.parametrize(("pain", "code"), [(1, "met"), (2, "met"), (3, "above")])
def test_a_score_on_the_line_is_met(pain: int, code: str) -> None:
    assert code_of(REST, assessment(session_check=answering(pain_at_rest=pain))) == code


def test_of_two_scores_the_higher_is_the_worse() -> None:
    stations = assessment(occasion="day"), assessment(occasion="day", session_check=answering(pain_at_rest=4))
    assert reason_of(REST, *stations).figure == 4


# Medication


@pytest.mark.parametrize(("medication", "code"), [("none", "met"), ("paracetamol", "masked"), (None, "unanswered")])
def test_medication_masks_a_quiet_question_about_pain(medication: str | None, code: str) -> None:
    assert code_of(REST, assessment(session_check=answering(medication_24h=medication))) == code


def test_medication_does_not_excuse_pain_that_is_too_much() -> None:
    check = answering(medication_24h="opioid", pain_at_rest=3)
    assert code_of(REST, assessment(session_check=check)) == "above"


@pytest.mark.parametrize(("medication", "code"), [("none", "met"), ("opioid", "masked"), (None, "unanswered")])
def test_medication_masks_a_test_that_is_a_rating_of_pain(medication: str | None, code: str) -> None:
    battery = assessment(measured("worst_pain_24h", None, 1), session_check=answering(medication_24h=medication))
    assert code_of(PAIN_24H, battery) == code


def test_medication_masks_worst_pain_in_tests() -> None:
    worst = {"tests": ["hop"], "metric": "worst_pain", "at_most": 2}
    battery = assessment(measured("hop", LEFT, 100), session_check=answering(medication_24h="opioid"))
    assert code_of(worst, battery) == "masked"


def test_the_medication_answer_is_that_of_the_readings_own_occasion() -> None:
    worst = {"tests": ["hop", "side_hop"], "metric": "worst_pain", "at_most": 2, "within_days": 7}
    masked = assessment(measured("hop", LEFT, 100), on="2026-11-18", session_check=answering(medication_24h="opioid"))
    assert code_of(worst, masked, assessment(measured("side_hop", LEFT, 9, 9))) == "masked"


def test_medication_does_not_mask_other_questions() -> None:
    assert code_of(NO_LIMP, assessment(session_check=answering(medication_24h="opioid"))) == "met"


def test_medication_does_not_mask_distances() -> None:
    hop = {"test": "hop", "metric": "value", "at_least": "90 cm"}
    battery = assessment(measured("hop", LEFT, 100), session_check=answering(medication_24h="opioid"))
    assert code_of(hop, battery) == "met"


@pytest.mark.parametrize(("medication", "code"), [("none", "met"), ("opioid", "masked"), (None, "unanswered")])
def test_medication_masks_a_pain_question_that_asks_one_answer(medication: str | None, code: str) -> None:
    painless = {"question": "pain_at_rest", "metric": "value", "is": 0}
    assert code_of(painless, assessment(session_check=answering(medication_24h=medication))) == code


def test_medication_masks_every_metric_on_a_rating_of_pain() -> None:
    rating = {**TESTS["worst_pain_24h"], "sides": "each"}
    difference = {"test": "pain", "metric": "side_difference", "at_most": 1}
    battery = assessment(both("pain", 1, 1), session_check=answering(medication_24h="opioid"))
    assert code_of(difference, battery, tests={"pain": rating}) == "masked"


def test_one_masking_answer_of_two_masks() -> None:
    stations = (
        assessment(occasion="day"),
        assessment(occasion="day", session_check=answering(medication_24h="paracetamol")),
    )
    assert code_of(REST, *stations) == "masked"


# The morning after


def hopped(ref: str = "first", on: str = "2026-11-20", **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, 100), ref=ref, on=on, **changes)


def morning(pain: int | None, follows: str = "first", on: str = "2026-11-21", **answers: Any) -> Draft:
    return follow_up(follows, on=on, session_check=answering(pain_at_rest=pain, **answers))


@pytest.mark.parametrize(("pain", "code"), [(2, "met"), (3, "met"), (4, "above")])
def test_the_rise_is_the_morning_minus_the_start(pain: int, code: str) -> None:
    start = hopped(session_check=answering(pain_at_rest=2))
    assert code_of(MORNING, start, morning(pain)) == code


def test_a_morning_better_than_the_start_is_a_negative_rise() -> None:
    start = hopped(session_check=answering(pain_at_rest=3))
    assert reason_of(MORNING, start, morning(1)) == ("met", "met", Fraction(-2))


def test_a_morning_not_yet_told_is_awaited() -> None:
    assert code_of(MORNING, hopped()) == "awaiting_response"


@pytest.mark.parametrize(("at", "code"), [("2026-11-22", "awaiting_response"), ("2026-11-23", "too_old")])
def test_a_morning_is_awaited_until_its_window_is_over(at: str, code: str) -> None:
    assert code_of(MORNING, hopped(), at=at) == code


def test_a_follow_up_that_leaves_the_pain_out_is_awaited() -> None:
    assert code_of(MORNING, hopped(), morning(None)) == "awaiting_response"


def test_a_start_not_answered_leaves_the_rise_unanswered() -> None:
    assert code_of(MORNING, hopped(session_check=answering(pain_at_rest=None)), morning(0)) == "unanswered"


def test_of_two_starts_the_lower_counts() -> None:
    stations = [
        hopped(ref="first", occasion="day", session_check=answering(pain_at_rest=3)),
        assessment(occasion="day", session_check=answering(pain_at_rest=1)),
    ]
    assert reason_of(MORNING, *stations, morning(3)).figure == 2


def test_of_two_mornings_the_worse_counts() -> None:
    assert reason_of(MORNING, hopped(), morning(0), morning(3, on="2026-11-22")).figure == 3


@pytest.mark.parametrize(("medication", "code"), [("opioid", "masked"), (None, "unanswered")])
def test_medication_of_the_morning_masks_a_quiet_one(medication: str | None, code: str) -> None:
    assert code_of(MORNING, hopped(), morning(0, medication_24h=medication)) == code


def test_medication_of_the_start_does_not_mask_the_morning() -> None:
    assert code_of(MORNING, hopped(session_check=answering(medication_24h="opioid")), morning(0)) == "met"


def test_without_a_test_of_the_class_there_is_no_morning_after_it() -> None:
    assert code_of(MORNING, assessment(measured("strength", LEFT, 100))) == "missing_test"


def test_a_hop_of_the_other_side_alone_asks_no_morning() -> None:
    assert code_of(MORNING, assessment(measured("hop", RIGHT, 100))) == "missing_test"


def test_a_test_that_the_athlete_was_unable_to_do_asks_a_morning() -> None:
    unable = assessment(not_measured("hop", LEFT, "unable", "could_not"))
    assert code_of(MORNING, unable) == "awaiting_response"


def test_the_morning_after_the_latest_hops_counts() -> None:
    entries = hopped(on="2026-11-17"), morning(0, on="2026-11-18")
    assert code_of(MORNING, *entries, hopped("second")) == "awaiting_response"


@pytest.mark.parametrize(("at", "code"), [("2026-11-27", "met"), ("2026-11-28", "too_old")])
def test_a_morning_is_good_for_its_days(at: str, code: str) -> None:
    assert code_of(MORNING, hopped(), morning(0), at=at) == code


def test_a_morning_after_hops_before_a_setback_does_not_serve() -> None:
    entries = hopped(on="2026-11-17"), morning(0, on="2026-11-18"), event("setback", "2026-11-19")
    assert code_of(MORNING, *entries, assessment()) == "before_setback"


def test_a_rise_may_follow_tests_by_name() -> None:
    named = {**MORNING, "after": ["strength"]}
    assert code_of(named, assessment(measured("strength", LEFT, 100))) == "awaiting_response"


# Events


@pytest.mark.parametrize(("on", "code"), [("2026-11-12", "met"), ("2026-11-13", "above"), ("2026-11-14", "above")])
def test_an_event_counts_for_its_days(on: str, code: str) -> None:
    assert code_of(GAVE_WAY, event("giving_way", on), assessment()) == code


def test_without_days_every_event_counts() -> None:
    ever = {"events": ["giving_way"], "metric": "count", "at_most": 0}
    assert code_of(ever, event("giving_way", "2026-10-02"), assessment()) == "above"


def test_events_of_other_kinds_do_not_count() -> None:
    assert code_of(GAVE_WAY, event("setback", "2026-11-18"), assessment()) == "met"


def test_several_kinds_are_counted_together() -> None:
    kinds = ["giving_way", "setback", "re_injury"]
    any_kind = {"events": kinds, "metric": "count", "at_most": 5}
    entries = [event(kind, "2026-11-10") for kind in kinds]
    assert reason_of(any_kind, *entries, assessment()).figure == 3


def test_giving_way_in_a_trial_counts() -> None:
    battery = assessment(measured("hop", LEFT, 100, "giving_way"))
    assert reason_of(GAVE_WAY, battery).figure == 1


def test_giving_way_of_the_other_side_does_not_count() -> None:
    assert reason_of(GAVE_WAY, assessment(measured("hop", RIGHT, 100, "giving_way"))).figure == 0


def test_an_event_told_in_two_assessments_is_one() -> None:
    same = told(("giving_way", "2026-11-15"))
    assert reason_of(GAVE_WAY, assessment(on="2026-11-16", since_last=same), assessment(since_last=same)).figure == 1


def test_two_events_of_one_kind_on_different_dates_are_two() -> None:
    events = told(("giving_way", "2026-11-15"), ("giving_way", "2026-11-16"))
    assert reason_of(GAVE_WAY, assessment(since_last=events)).figure == 2


def test_an_event_entry_stands_for_itself_beside_one_told() -> None:
    told_too = assessment(since_last=told(("giving_way", "2026-11-15")))
    assert reason_of(GAVE_WAY, event("giving_way", "2026-11-15"), told_too).figure == 2


def test_an_event_told_by_a_follow_up_stands_for_itself() -> None:
    first = assessment(ref="first", since_last=told(("giving_way", "2026-11-15")))
    entries = first, follow_up("first", since_last=told(("giving_way", "2026-11-15")))
    assert reason_of(GAVE_WAY, *entries).figure == 2


def test_an_event_of_another_episode_does_not_count() -> None:
    assert code_of(GAVE_WAY, event("giving_way", "2026-11-18", episode="E2"), assessment()) == "met"
