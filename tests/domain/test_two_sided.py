"""Limb symmetry index and side difference: directions, the other side, and a baseline beside it."""

from fractions import Fraction
from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    RIGHT,
    TODAY,
    Draft,
    assessment,
    baseline,
    both,
    code_of,
    event,
    measured,
    not_measured,
    reason_of,
)

INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
TIMED = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
DIFFERENCE = {"test": "lunge", "metric": "side_difference", "at_most": "1.5 cm"}
LIFTS = {"test": "foot_lifts", "metric": "side_difference", "at_most": 3}
BEFORE = {"other_side": "previously_injured"}
BILATERAL = {"involved_side": "both"}


def hops(involved: Any, other: Any, **changes: Any) -> Draft:
    return assessment(both("hop", involved, other), **changes)


# Direction and boundary


@pytest.mark.parametrize(("involved", "code"), [("89.99", "below"), ("90", "met"), ("90.01", "met")])
def test_an_index_on_the_line_is_met(involved: str, code: str) -> None:
    assert code_of(INDEX, hops(involved, 100)) == code


def test_where_more_is_better_the_index_is_involved_by_uninvolved() -> None:
    assert reason_of(INDEX, hops(80, 100)).figure == 80


def test_where_less_is_better_the_index_is_uninvolved_by_involved() -> None:
    slower = assessment(both("side_hop", [10, 10], [8, 8]))
    assert reason_of(TIMED, slower).figure == 80


def test_the_index_is_exact_where_floats_are_not() -> None:
    assert reason_of(INDEX, hops("1.17", "1.30")) == ("met", "met", Fraction(90))


def test_sides_in_different_units_are_compared_exactly() -> None:
    sides = [measured("hop", LEFT, 36, unit="[in_i]"), measured("hop", RIGHT, "101.6")]
    assert reason_of(INDEX, assessment(sides)).figure == 90


@pytest.mark.parametrize(("involved", "code"), [("8.6", "met"), ("8.5", "met"), ("8.4", "above")])
def test_a_difference_on_the_line_is_met(involved: str, code: str) -> None:
    assert code_of(DIFFERENCE, assessment(both("lunge", [involved] * 3, [10] * 3))) == code


def test_a_deficit_is_positive_where_more_is_better() -> None:
    assert reason_of(DIFFERENCE, assessment(both("lunge", [9] * 3, [10] * 3))).figure == 1


def test_a_deficit_is_positive_where_less_is_better() -> None:
    assert reason_of(LIFTS, assessment(both("foot_lifts", [7, 7], [5, 5]))).figure == 2


def test_a_difference_may_stand_in_another_unit_than_the_test() -> None:
    in_millimetres = {**DIFFERENCE, "at_most": "15 mm"}
    assert reason_of(in_millimetres, assessment(both("lunge", [9] * 3, [10] * 3))).figure == 10


# The other side


def test_without_the_other_side_the_reference_is_missing() -> None:
    assert code_of(INDEX, assessment(measured("hop", LEFT, 100))) == "missing_reference"


@pytest.mark.parametrize(("result", "because"), [("not_done", "time"), ("deferred", "not_safe_today")])
def test_an_other_side_that_was_not_attempted_is_a_missing_reference(result: str, because: str) -> None:
    sides = [measured("hop", LEFT, 100), not_measured("hop", RIGHT, result, because)]
    assert code_of(INDEX, assessment(sides)) == "missing_reference"


def test_the_two_sides_come_from_one_occasion() -> None:
    other = assessment(measured("hop", RIGHT, 100), on="2026-11-19")
    assert code_of({**INDEX, "within_days": 7}, other, assessment(measured("hop", LEFT, 100))) == "missing_reference"


@pytest.mark.parametrize(
    "other",
    [
        not_measured("hop", RIGHT, "unable", "could_not"),
        measured("hop", RIGHT, 100, "pain"),
        measured("hop", RIGHT, 100, "giving_way"),
        measured("hop", RIGHT, 100, pain=6),
        measured("hop", RIGHT, 0),
    ],
    ids=["unable", "ended by pain", "gave way", "pain above the limit", "nothing to divide by"],
)
def test_an_other_side_that_is_no_reference_is_unreliable(other: dict[str, Any]) -> None:
    assert code_of(INDEX, assessment(measured("hop", LEFT, 100), other)) == "reference_unreliable"


def test_pain_up_to_the_limit_leaves_the_other_side_a_reference() -> None:
    assert code_of(INDEX, assessment(measured("hop", LEFT, 100), measured("hop", RIGHT, 100, pain=5))) == "met"


def test_pain_above_the_limit_makes_the_other_side_unreliable_in_any_test() -> None:
    sides = [measured("lunge", LEFT, 10, 10, 10), measured("lunge", RIGHT, 10, 10, 10, pain=6)]
    assert code_of(DIFFERENCE, assessment(sides)) == "reference_unreliable"


def test_nothing_is_divided_in_a_difference() -> None:
    assert code_of(LIFTS, assessment(both("foot_lifts", [2, 2], [0, 0]))) == "met"


def test_an_other_side_with_too_few_trials_says_so() -> None:
    sides = [measured("side_hop", LEFT, 9, 9), measured("side_hop", RIGHT, 9)]
    assert code_of(TIMED, assessment(sides)) == "too_few_trials"


@pytest.mark.parametrize("said", ["unknown"])
def test_an_other_side_of_unknown_state_is_unreliable_until_stated(said: str) -> None:
    told = hops(100, 100, facts={"other_side": said})
    assert code_of(INDEX, told) == "reference_unreliable"
    assert code_of(INDEX, told, event("corrected", "2026-11-20", other_side="healthy"), at="2026-11-20") == "met"


# Setup


def test_two_sides_under_different_setup_are_not_compared() -> None:
    sides = [measured("hop", LEFT, 100, setup={"support": "tape"}), measured("hop", RIGHT, 100)]
    assert code_of(INDEX, assessment(sides)) == "setup_differs"


def test_a_setup_that_the_test_need_not_match_may_differ() -> None:
    sides = [measured("hop", LEFT, 100, setup={"instrument": "handheld"}), measured("hop", RIGHT, 100)]
    assert code_of(INDEX, assessment(sides)) == "met"


def test_a_setup_absent_on_both_sides_matches() -> None:
    assert code_of(INDEX, hops(100, 100, setup={})) == "met"


def test_a_setup_absent_on_one_side_differs() -> None:
    sides = [measured("hop", LEFT, 100, setup={"support": "none"}), measured("hop", RIGHT, 100)]
    assert code_of(INDEX, assessment(sides, setup={})) == "setup_differs"


def test_an_unreliable_other_side_wins_over_its_setup() -> None:
    sides = [measured("hop", LEFT, 100), measured("hop", RIGHT, 100, pain=8, setup={"support": "tape"})]
    assert code_of(INDEX, assessment(sides)) == "reference_unreliable"


# A baseline beside the other side


def test_short_of_the_baseline_is_below_baseline_though_the_sides_are_equal() -> None:
    before = baseline(both("hop", 120, 120))
    assert reason_of(INDEX, before, hops(90, 90)) == ("not_met", "below_baseline", Fraction(75))


def test_equally_short_of_side_and_baseline_is_below_baseline() -> None:
    before = baseline(measured("hop", LEFT, 100))
    assert reason_of(INDEX, before, hops(80, 100)) == ("not_met", "below_baseline", Fraction(80))


def test_shorter_of_the_other_side_than_of_the_baseline_is_below() -> None:
    before = baseline(measured("hop", LEFT, 90))
    assert reason_of(INDEX, before, hops(80, 100)) == ("not_met", "below", Fraction(80))


def test_the_smaller_margin_gives_the_figure_when_both_are_met() -> None:
    before = baseline(measured("hop", LEFT, 105))
    assert reason_of(INDEX, before, hops(100, 100)).figure == Fraction(2000, 21)


def test_a_difference_is_compared_with_the_baseline_too() -> None:
    before = baseline(measured("lunge", LEFT, 12, 12, 12))
    now = assessment(both("lunge", [10] * 3, [10] * 3))
    assert reason_of(DIFFERENCE, before, now) == ("not_met", "below_baseline", Fraction(2))


def test_a_smaller_deficit_against_the_baseline_leaves_the_other_side_to_decide() -> None:
    before = baseline(measured("lunge", LEFT, 9, 9, 9))
    now = assessment(both("lunge", [9] * 3, [10] * 3))
    assert reason_of(DIFFERENCE, before, now) == ("met", "met", Fraction(1))


def test_a_baseline_does_not_stand_in_for_a_healthy_side_that_was_not_measured() -> None:
    before = baseline(both("hop", 100, 100))
    assert code_of(INDEX, before, assessment(measured("hop", LEFT, 100))) == "missing_reference"


def test_a_baseline_that_might_match_if_todays_setup_were_told_is_not_passed_over() -> None:
    untold = hops(100, 100, setup={})
    assert code_of(INDEX, baseline(measured("hop", LEFT, 120)), untold) == "setup_differs"


def test_short_of_the_other_side_is_below_whatever_the_setup_of_the_baseline() -> None:
    untold = hops(80, 100, setup={})
    assert code_of(INDEX, baseline(measured("hop", LEFT, 120)), untold) == "below"


def test_a_baseline_under_another_setup_is_not_compared() -> None:
    taped = baseline(measured("hop", LEFT, 120), setup={"support": "tape"})
    assert code_of(INDEX, taped, hops(100, 100)) == "met"


def test_a_baseline_whose_setup_was_not_told_is_not_compared() -> None:
    assert code_of(INDEX, baseline(measured("hop", LEFT, 120), setup={}), hops(100, 100)) == "met"


# No usable other side


@pytest.mark.parametrize("state", ["previously_injured", "symptomatic"])
def test_short_even_against_an_unusable_side_is_not_met(state: str) -> None:
    assert code_of(INDEX, hops(80, 100, facts={"other_side": state})) == "below"


@pytest.mark.parametrize("state", ["previously_injured", "symptomatic"])
def test_long_enough_against_an_unusable_side_is_not_enough(state: str) -> None:
    assert code_of(INDEX, hops(100, 100, facts={"other_side": state})) == "missing_reference"


def test_beside_an_unusable_side_the_baseline_decides() -> None:
    before = baseline(measured("hop", LEFT, 100))
    assert reason_of(INDEX, before, hops(95, 80, facts=BEFORE)) == ("met", "met", Fraction(95))


def test_beside_an_unusable_side_short_of_the_baseline_is_below_baseline() -> None:
    before = baseline(measured("hop", LEFT, 120))
    assert code_of(INDEX, before, hops(100, 100, facts=BEFORE)) == "below_baseline"


@pytest.mark.parametrize(
    ("other", "code"),
    [
        (not_measured("hop", RIGHT, "unable", "could_not"), "met"),
        (not_measured("hop", RIGHT, "not_done", "time"), "met"),
        (not_measured("hop", RIGHT, "deferred", "not_safe_today"), "missing_reference"),
    ],
    ids=["unable", "not done", "deferred"],
)
def test_the_baseline_decides_where_the_unusable_side_was_sent(other: dict[str, Any], code: str) -> None:
    before = baseline(measured("hop", LEFT, 100))
    assert code_of(INDEX, before, assessment(measured("hop", LEFT, 100), other, facts=BEFORE)) == code


def test_an_unusable_side_left_out_leaves_the_reference_missing() -> None:
    before = baseline(measured("hop", LEFT, 100))
    assert code_of(INDEX, before, assessment(measured("hop", LEFT, 100), facts=BEFORE)) == "missing_reference"


def test_an_unusable_side_that_stopped_is_still_compared() -> None:
    sides = [measured("hop", LEFT, 80), measured("hop", RIGHT, 100, pain=8)]
    assert code_of(INDEX, assessment(sides, facts=BEFORE)) == "below"


def test_too_few_trials_of_an_unusable_side_open_nothing_and_leave_the_baseline_to_decide() -> None:
    before = baseline(both("side_hop", [9, 9], [9, 9]))
    sides = [measured("side_hop", LEFT, 9, 9), measured("side_hop", RIGHT, 9)]
    assert code_of(TIMED, assessment(sides, facts=BEFORE)) == "too_few_trials"
    assert code_of(TIMED, before, assessment(sides, facts=BEFORE)) == "met"


def test_another_setup_on_an_unusable_side_opens_nothing_and_leaves_the_baseline_to_decide() -> None:
    before = baseline(measured("hop", LEFT, 100))
    sides = [measured("hop", LEFT, 100), measured("hop", RIGHT, 100, setup={"support": "tape"})]
    assert code_of(INDEX, assessment(sides, facts=BEFORE)) == "setup_differs"
    assert code_of(INDEX, before, assessment(sides, facts=BEFORE)) == "met"


def test_another_open_episode_of_the_other_side_makes_it_unusable() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT, "onset_on": "2026-11-09"})
    assert code_of(INDEX, other, hops(100, 100)) == "missing_reference"


def test_an_other_side_of_unknown_state_that_another_episode_involves_is_unusable() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT, "onset_on": "2026-11-09"})
    assert code_of(INDEX, other, hops(80, 100, facts={"other_side": "unknown"})) == "below"


@pytest.mark.parametrize(
    ("on", "code"),
    [
        ("2026-11-08", "met"),
        ("2026-11-09", "missing_reference"),
        ("2026-11-15", "missing_reference"),
        ("2026-11-16", "met"),
    ],
)
def test_a_closed_episode_of_the_other_side_leaves_it_usable_on_days_when_it_was_not_open(on: str, code: str) -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT, "onset_on": "2026-11-09"})
    closed = event("closed", "2026-11-15", episode="E2", cause="recovered")
    lately = {**INDEX, "within_days": 21}
    assert code_of(lately, other, hops(100, 100, on=on), closed, at=TODAY) == code


def test_an_other_side_of_unknown_state_that_was_injured_when_measured_is_unusable() -> None:
    facts = {"involved_side": RIGHT, "onset_on": "2026-11-09"}
    other = assessment(episode="E2", on="2026-11-10", facts=facts)
    closed = event("closed", "2026-11-15", episode="E2", cause="recovered")
    measured_then = hops(80, 100, on="2026-11-12", facts={"other_side": "unknown"})
    assert code_of({**INDEX, "within_days": 21}, other, measured_then, closed, at=TODAY) == "below"


# Both sides involved


def test_each_of_two_involved_sides_is_compared_with_its_own_baseline() -> None:
    before = baseline(both("hop", 100, 125))
    assert reason_of(INDEX, before, hops(95, 100, facts=BILATERAL)) == ("not_met", "below_baseline", Fraction(80))


def test_two_involved_sides_without_a_baseline_have_no_reference() -> None:
    assert code_of(INDEX, hops(100, 100, facts=BILATERAL)) == "missing_reference"
