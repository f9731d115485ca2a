"""Worst pain and worst felt instability over tests; failed landings."""

from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    assessment,
    code_of,
    event,
    measured,
    not_measured,
    reason_of,
)

PAIN = {"tests": "loading", "metric": "worst_pain", "at_most": 2, "within_days": 7}
NAMED = {"tests": ["hop", "lunge"], "metric": "worst_pain", "at_most": 2, "within_days": 7}
INSTABILITY = {"tests": "hops", "metric": "worst_instability", "at_most": 2, "within_days": 7}
LANDINGS = {"test": "side_hop", "metric": "failed_landings", "at_most": 0}


def hop(pain: Any = 0, **changes: Any) -> dict[str, Any]:
    return measured("hop", LEFT, 100, pain=pain, **changes)


def side_hop(**changes: Any) -> dict[str, Any]:
    return measured("side_hop", LEFT, 9, 9, **changes)


@pytest.mark.parametrize(("pain", "code"), [(1, "met"), (2, "met"), (3, "above")])
def test_worst_pain_on_the_line_is_met(pain: int, code: str) -> None:
    assert code_of(PAIN, assessment(hop(pain))) == code


def test_the_worst_of_the_tests_counts() -> None:
    assert reason_of(PAIN, assessment(hop(1), side_hop(pain=4))).figure == 4


def test_the_other_side_is_not_asked_for_pain() -> None:
    assert code_of(PAIN, assessment(hop(1), measured("hop", RIGHT, 100, pain=4))) == "met"


def test_a_test_of_the_person_is_asked_too() -> None:
    assert reason_of(PAIN, assessment(hop(1), measured("sprint", None, 9, pain=3))).figure == 3


def test_a_class_leaves_out_tests_that_are_not_of_it() -> None:
    assert code_of(PAIN, assessment(hop(1), measured("lunge", LEFT, 9, 9, 9, pain=9))) == "met"


def test_of_each_test_the_latest_attempt_counts() -> None:
    painful = assessment(hop(5), on="2026-11-18")
    assert code_of(PAIN, painful, assessment(hop(1))) == "met"


def test_pain_of_an_older_test_still_counts_within_its_days() -> None:
    painful = assessment(side_hop(pain=4), on="2026-11-13")
    assert reason_of(PAIN, painful, assessment(hop(1))).figure == 4


def test_pain_of_a_class_older_than_its_days_does_not_count() -> None:
    painful = assessment(side_hop(pain=4), on="2026-11-12")
    assert code_of(PAIN, painful, assessment(hop(1))) == "met"


def test_without_any_test_of_the_class_it_is_missing() -> None:
    assert code_of(PAIN, assessment()) == "missing_test"


def test_with_only_old_tests_of_the_class_it_is_too_old() -> None:
    assert code_of(PAIN, assessment(hop(), on="2026-11-12"), assessment()) == "too_old"


def test_with_only_tests_before_a_setback_it_is_before_setback() -> None:
    old = assessment(hop(), on="2026-11-16")
    assert code_of(PAIN, old, event("setback", "2026-11-17"), assessment()) == "before_setback"


def test_with_old_tests_and_tests_before_a_setback_it_is_before_setback() -> None:
    entries = assessment(hop(), on="2026-11-10"), assessment(side_hop(), on="2026-11-16")
    assert code_of(PAIN, *entries, event("setback", "2026-11-11", at="09:00"), at="2026-11-26") == "before_setback"


def test_a_named_test_that_was_left_out_is_missing() -> None:
    assert code_of(NAMED, assessment(hop())) == "missing_test"


def test_a_named_test_that_was_left_out_does_not_hide_pain_in_another() -> None:
    assert code_of(NAMED, assessment(hop(3))) == "above"


def test_a_named_test_that_is_too_old_says_so() -> None:
    old = assessment(measured("lunge", LEFT, 9, 9, 9), on="2026-11-12")
    assert code_of(NAMED, old, assessment(hop())) == "too_old"


def test_all_named_tests_together_are_met() -> None:
    assert code_of(NAMED, assessment(hop(2), measured("lunge", LEFT, 9, 9, 9, pain=1))) == "met"


def test_pain_not_answered_is_unanswered() -> None:
    assert code_of(PAIN, assessment(hop(1), side_hop(pain=None))) == "unanswered"


def test_pain_not_answered_anywhere_is_unanswered() -> None:
    assert code_of(PAIN, assessment(hop(None))) == "unanswered"


def test_pain_not_answered_does_not_hide_pain_in_another_test() -> None:
    assert code_of(PAIN, assessment(hop(3), side_hop(pain=None))) == "above"


def test_unable_reads_the_answer_sent_with_it() -> None:
    unable = not_measured("hop", LEFT, "unable", "could_not", pain=4)
    assert reason_of(PAIN, assessment(unable)).figure == 4


def test_a_stop_for_pain_counts_before_any_figure() -> None:
    assert code_of(PAIN, assessment(hop(0), side_hop(pain=8))) == "pain_beyond_limit"


def test_giving_way_wins_over_pain() -> None:
    assert code_of(PAIN, assessment(hop(8), measured("side_hop", LEFT, 9, 9, "giving_way"))) == "gave_way"


@pytest.mark.parametrize(("felt", "code"), [(1, "met"), (2, "met"), (3, "above")])
def test_worst_instability_on_the_line_is_met(felt: int, code: str) -> None:
    assert code_of(INSTABILITY, assessment(hop(instability=felt))) == code


def test_instability_not_answered_is_unanswered() -> None:
    assert code_of(INSTABILITY, assessment(hop(instability=None))) == "unanswered"


def test_medication_does_not_mask_instability() -> None:
    opioid = {**QUIET, "medication_24h": "opioid"}
    assert code_of(INSTABILITY, assessment(hop(), session_check=opioid)) == "met"


def test_a_stop_holds_the_instability_of_its_test_too() -> None:
    assert code_of(INSTABILITY, assessment(hop(8))) == "pain_beyond_limit"


def test_of_two_involved_sides_the_worse_pain_counts() -> None:
    hops = [measured("hop", LEFT, 100, pain=1), measured("hop", RIGHT, 100, pain=4)]
    assert reason_of(PAIN, assessment(hops, facts={"involved_side": "both"})).figure == 4


# Failed landings


@pytest.mark.parametrize(("limit", "code"), [(1, "above"), (2, "met"), (3, "met")])
def test_lost_balance_and_extra_hops_are_failed_landings(limit: int, code: str) -> None:
    trials = (9, "balance", 9, "extra_hop", 9)
    assert code_of({**LANDINGS, "at_most": limit}, assessment(measured("side_hop", LEFT, *trials))) == code


@pytest.mark.parametrize("cause", ["technique", "tester"])
def test_other_invalid_trials_are_no_failed_landings(cause: str) -> None:
    assert reason_of(LANDINGS, assessment(measured("side_hop", LEFT, 9, cause, 9, 9))).figure == 0


def test_failed_landings_of_the_other_side_do_not_count() -> None:
    trials = [measured("side_hop", LEFT, 9, 9, 9), measured("side_hop", RIGHT, 9, "balance", 9, 9)]
    assert reason_of(LANDINGS, assessment(trials)).figure == 0


def test_failed_landings_need_the_scored_number_of_valid_trials() -> None:
    assert code_of(LANDINGS, assessment(measured("side_hop", LEFT, 9, 9))) == "too_few_trials"


def test_a_summary_shows_no_failed_landings() -> None:
    summary = measured("side_hop", LEFT, 9, trials_summarised=3)
    assert code_of(LANDINGS, assessment(summary)) == "too_few_trials"
