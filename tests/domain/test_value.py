"""The metric `value`, and which measurement a criterion stands on."""

from fractions import Fraction

import pytest

from tests.domain.small_record import (
    LEFT,
    RIGHT,
    assessment,
    both,
    code_of,
    event,
    measured,
    not_measured,
    reason_of,
)

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
LATELY = {**HOP, "within_days": 7}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s"}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "10 cm"}
LIFTS = {"test": "foot_lifts", "metric": "value", "at_most": 3}
REACH = {"test": "reach", "metric": "value", "at_least": "20 cm"}
BILATERAL = {"involved_side": "both"}


@pytest.mark.parametrize(("value", "code"), [("99.9", "below"), ("100", "met"), ("100.1", "met")])
def test_at_least_includes_the_boundary(value: str, code: str) -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, value))) == code


@pytest.mark.parametrize(("value", "code"), [("9.99", "met"), ("10", "met"), ("10.01", "above")])
def test_at_most_includes_the_boundary(value: str, code: str) -> None:
    assert code_of(SPRINT, assessment(measured("sprint", None, value))) == code


def test_the_figure_stands_in_the_unit_of_the_threshold() -> None:
    in_metres = {**HOP, "at_least": "1 m"}
    assert reason_of(in_metres, assessment(measured("hop", LEFT, 105))).figure == Fraction(21, 20)


def test_a_value_in_another_unit_is_converted_exactly() -> None:
    assert reason_of(HOP, assessment(measured("hop", LEFT, 40, unit="[in_i]"))).figure == Fraction("101.6")


def test_the_best_of_a_higher_is_better_test_is_the_greatest() -> None:
    assert reason_of(HOP, assessment(measured("hop", LEFT, 90, 105, 99))).figure == 105


def test_the_best_of_a_lower_is_better_test_is_the_least() -> None:
    assert reason_of(SPRINT, assessment(measured("sprint", None, "9.9", "9.7"))).figure == Fraction("9.7")


def test_a_mean_is_kept_exact() -> None:
    assert reason_of(LUNGE, assessment(measured("lunge", LEFT, 9, 10, 10))).figure == Fraction(29, 3)


def test_the_median_of_an_odd_number_is_the_middle_one() -> None:
    assert reason_of(LIFTS, assessment(measured("foot_lifts", LEFT, 9, 2, 5))).figure == 5


def test_the_median_of_an_even_number_is_the_mean_of_the_middle_two() -> None:
    assert reason_of(LIFTS, assessment(measured("foot_lifts", LEFT, 9, 2, 5, 4))).figure == Fraction(9, 2)


def test_a_total_adds_the_trials_up() -> None:
    assert reason_of(REACH, assessment(measured("reach", LEFT, "10.5", "9.6"))).figure == Fraction("20.1")


def test_only_the_first_scored_valid_trials_count_in_attempt_order() -> None:
    trials = (90, "balance", 91, 92, 120)
    assert reason_of(HOP, assessment(measured("hop", LEFT, *trials))).figure == 92


def test_too_few_valid_trials_give_no_value() -> None:
    assert code_of(LUNGE, assessment(measured("lunge", LEFT, 12, 12))) == "too_few_trials"


def test_a_summarised_value_counts_as_that_many_trials() -> None:
    assert reason_of(LUNGE, assessment(measured("lunge", LEFT, "10.2", trials_summarised=3))).figure == Fraction("10.2")


def test_a_value_that_sums_up_too_few_trials_gives_no_value() -> None:
    assert code_of(LUNGE, assessment(measured("lunge", LEFT, 12, trials_summarised=2))) == "too_few_trials"


def test_a_test_that_was_never_sent_is_missing() -> None:
    assert code_of(HOP, assessment()) == "missing_test"


@pytest.mark.parametrize(
    ("result", "because"), [("not_done", "time"), ("not_done", "no_equipment"), ("deferred", "not_safe_today")]
)
def test_a_test_that_was_not_attempted_is_missing(result: str, because: str) -> None:
    assert code_of(HOP, assessment(not_measured("hop", LEFT, result, because))) == "missing_test"


def test_unable_is_not_met() -> None:
    reason = reason_of(HOP, assessment(not_measured("hop", LEFT, "unable", "could_not")))
    assert (reason.status, reason.code, reason.figure) == ("not_met", "unable", None)


def test_unable_because_of_giving_way_says_so() -> None:
    assert code_of(HOP, assessment(not_measured("hop", LEFT, "unable", "giving_way"))) == "gave_way"


def test_unable_because_of_pain_says_so() -> None:
    assert code_of(HOP, assessment(not_measured("hop", LEFT, "unable", "pain"))) == "pain_beyond_limit"


def test_an_invalid_trial_that_ended_by_giving_way_is_not_discarded() -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 120, "giving_way"))) == "gave_way"


def test_an_invalid_trial_that_ended_by_pain_is_not_discarded() -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 120, "pain"))) == "pain_beyond_limit"


@pytest.mark.parametrize(("pain", "code"), [(4, "met"), (5, "met"), (6, "pain_beyond_limit")])
def test_pain_above_the_limit_in_a_loading_test_is_a_stop(pain: int, code: str) -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 120, pain=pain))) == code


def test_pain_above_the_limit_in_a_test_that_does_not_load_is_no_stop() -> None:
    assert code_of(LUNGE, assessment(measured("lunge", LEFT, 12, 12, 12, pain=6))) == "met"


def test_the_uninvolved_side_answers_for_nothing() -> None:
    assert code_of(HOP, assessment(measured("hop", RIGHT, 120))) == "missing_test"


# Which measurement


def test_the_latest_attempt_counts_and_not_the_best() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-18")
    assert code_of(LATELY, older, assessment(measured("hop", LEFT, 90))) == "below"


def test_an_attempt_that_failed_is_not_replaced_by_an_older_value() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-18")
    assert code_of(LATELY, older, assessment(not_measured("hop", LEFT, "unable", "could_not"))) == "unable"


def test_too_few_trials_are_not_replaced_by_an_older_value() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-18")
    assert code_of(LATELY, older, assessment(measured("hop", LEFT, "balance"))) == "too_few_trials"


def test_a_test_not_done_today_leaves_the_older_attempt_in_place() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-18")
    assert code_of(LATELY, older, assessment(not_measured("hop", LEFT, "not_done", "time"))) == "met"


@pytest.mark.parametrize(("on", "code"), [("2026-11-14", "met"), ("2026-11-13", "met"), ("2026-11-12", "too_old")])
def test_evidence_is_good_for_its_days_and_no_longer(on: str, code: str) -> None:
    assert code_of(LATELY, assessment(measured("hop", LEFT, 150), on=on), assessment()) == code


def test_without_days_only_the_judged_occasion_serves() -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 150), on="2026-11-19"), assessment()) == "too_old"


def test_of_stored_evidence_the_latest_occasion_serves_whatever_its_date() -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 150)), at="2026-12-24") == "met"


def test_days_are_counted_to_the_local_date_of_the_moment_judged() -> None:
    hop = assessment(measured("hop", LEFT, 150))
    assert [code_of(LATELY, hop, at=on) for on in ("2026-11-27", "2026-11-28")] == ["met", "too_old"]


def test_what_was_measured_before_a_setback_no_longer_serves() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-16")
    assert code_of(LATELY, older, event("setback", "2026-11-18"), assessment()) == "before_setback"


def test_before_a_setback_wins_over_too_old() -> None:
    older = assessment(measured("hop", LEFT, 150), on="2026-11-01")
    assert code_of(LATELY, older, event("setback", "2026-11-18"), assessment()) == "before_setback"


# Both sides involved


def test_of_two_involved_sides_the_worse_figure_counts() -> None:
    reason = reason_of(HOP, assessment(both("hop", 120, 105), facts=BILATERAL))
    assert (reason.code, reason.figure) == ("met", Fraction(105))


def test_of_two_involved_sides_the_greater_figure_is_worse_under_at_most() -> None:
    lifts = assessment(both("foot_lifts", [1, 1], [3, 3]), facts=BILATERAL)
    assert reason_of(LIFTS, lifts).figure == 3


def test_of_two_involved_sides_not_met_stands_over_not_assessed() -> None:
    assert code_of(HOP, assessment(measured("hop", RIGHT, 90), facts=BILATERAL)) == "below"


def test_of_two_involved_sides_not_assessed_stands_over_met() -> None:
    assert code_of(HOP, assessment(measured("hop", LEFT, 120), facts=BILATERAL)) == "missing_test"


def test_of_two_sides_without_figures_the_earlier_code_stands() -> None:
    sides = [not_measured("hop", LEFT, "unable", "could_not"), measured("hop", RIGHT, 150, "giving_way")]
    assert code_of(HOP, assessment(sides, facts=BILATERAL)) == "gave_way"


def test_equal_figures_of_two_sides_are_one_figure() -> None:
    reason = reason_of(HOP, assessment(both("hop", 120, 120), facts=BILATERAL))
    assert (reason.code, reason.figure) == ("met", Fraction(120))
