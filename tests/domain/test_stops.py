"""Stops can't be discarded: whom they hold, how long, and what ends them."""

from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    TODAY,
    Draft,
    assessment,
    event,
    follow_up,
    holds_on,
    measured,
    not_measured,
)
from tests.domain.small_set import small_set

HOP = {"test": "hop", "metric": "value", "at_least": "50 cm", "within_days": 21}
SIDE_HOP = {"test": "side_hop", "metric": "value", "at_most": "50 s", "within_days": 21}
STRENGTH = {"test": "strength", "metric": "value", "at_least": "1 N", "within_days": 21}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "1 cm", "within_days": 21}
REACH = {"test": "reach", "metric": "value", "at_least": "1 cm", "within_days": 21}

HOPS = small_set({"hop": HOP}, not_today=[])
SIDE_HOPS = small_set({"side_hop": SIDE_HOP}, not_today=[])
STRONG = small_set({"strength": STRENGTH}, not_today=[])
RANGE = small_set({"lunge": LUNGE}, not_today=[])
REACHES = small_set({"reach": REACH}, not_today=[])

PAIN = ["not_met", "pain_beyond_limit", "hop"]
YESTERDAY = "2026-11-19"


def hop(*values: Any, **changes: Any) -> dict[str, Any]:
    return measured("hop", LEFT, *(values or (100,)), **changes)


def painful(**changes: Any) -> Draft:
    return assessment(hop(pain=8), **{"on": YESTERDAY, **changes})


# In its own occasion


@pytest.mark.parametrize(
    ("measurement", "code"),
    [
        (hop(100, "pain"), "pain_beyond_limit"),
        (hop(100, "giving_way"), "gave_way"),
        (not_measured("hop", LEFT, "unable", "pain"), "pain_beyond_limit"),
        (not_measured("hop", LEFT, "unable", "giving_way"), "gave_way"),
        (not_measured("hop", LEFT, "unable", "could_not", pain=6), "pain_beyond_limit"),
        (hop(pain=6), "pain_beyond_limit"),
    ],
    ids=["trial for pain", "trial gave way", "unable for pain", "unable gave way", "unable with pain", "pain above"],
)
def test_a_stop_holds_every_gate_that_reads_a_loading_test(measurement: dict[str, Any], code: str) -> None:
    stopped = assessment(measurement, measured("strength", LEFT, 100))
    held = [holds_on(one, stopped) for one in (HOPS, STRONG, RANGE)]
    assert held == [[["not_met", code, "hop"]], [["not_met", code, "hop"]], []]


@pytest.mark.parametrize(
    "measurement",
    [
        hop(pain=5),
        hop(100, "balance"),
        not_measured("hop", LEFT, "unable", "could_not"),
        measured("hop", RIGHT, 100, "giving_way", pain=9),
        measured("lunge", LEFT, 9, 9, 9, pain=9),
    ],
    ids=["pain on the limit", "lost balance", "could not", "other side", "no loading test"],
)
def test_what_is_no_stop_does_not_hold(measurement: dict[str, Any]) -> None:
    assert holds_on(STRONG, assessment(measurement)) == []


def test_a_test_that_does_not_load_is_stopped_by_a_trial() -> None:
    stopped = assessment(measured("lunge", LEFT, 9, 9, 9, "pain"))
    assert holds_on(STRONG, stopped) == [["not_met", "pain_beyond_limit", "lunge"]]


def test_a_stop_in_a_test_of_the_person_holds() -> None:
    stopped = assessment(measured("sprint", None, 9, pain=7))
    assert holds_on(STRONG, stopped) == [["not_met", "pain_beyond_limit", "sprint"]]


def test_a_stop_in_a_test_that_the_set_does_not_know_holds() -> None:
    stopped = assessment(measured("backward_walk", LEFT, 9, pain=7))
    assert holds_on(STRONG, stopped) == [["not_met", "pain_beyond_limit", "backward_walk"]]


# Later


def test_a_stop_for_pain_goes_on_holding_a_gate_that_reads_the_test() -> None:
    assert holds_on(HOPS, painful(), assessment()) == [PAIN]


def test_a_stop_for_pain_goes_on_holding_a_gate_that_reads_another_test_of_its_classes() -> None:
    assert holds_on(SIDE_HOPS, painful(), assessment()) == [PAIN]


def test_a_stop_for_pain_does_not_go_on_holding_a_gate_of_other_classes() -> None:
    assert holds_on(STRONG, painful(), assessment()) == []


def test_loading_is_no_class() -> None:
    stopped = assessment(measured("strength", LEFT, 9, pain=7), on=YESTERDAY)
    assert holds_on(HOPS, stopped, assessment()) == []


def test_a_stop_for_pain_goes_on_holding_a_gate_without_loading_tests_that_reads_its_class() -> None:
    stopped = assessment(measured("lunge", LEFT, 9, 9, 9, "pain"), on=YESTERDAY)
    held = [["not_met", "pain_beyond_limit", "lunge"]]
    assert [holds_on(one, stopped, assessment()) for one in (RANGE, REACHES)] == [held, held]


def test_a_stop_for_pain_in_a_test_without_classes_holds_gates_that_read_it() -> None:
    lifts = small_set({"lifts": {"test": "foot_lifts", "metric": "value", "at_most": 9, "within_days": 21}})
    stopped = assessment(measured("foot_lifts", LEFT, 1, 1, "pain"), on=YESTERDAY)
    assert holds_on(lifts, stopped, assessment()) == [["not_met", "pain_beyond_limit", "foot_lifts"]]


def test_a_stop_in_a_test_that_the_set_does_not_know_goes_on_holding_gates_that_read_a_loading_test() -> None:
    stopped = assessment(measured("backward_walk", LEFT, 9, pain=7), on=YESTERDAY)
    held = [holds_on(one, stopped, assessment()) for one in (HOPS, STRONG, RANGE)]
    assert held == [[["not_met", "pain_beyond_limit", "backward_walk"]]] * 2 + [[]]


def test_a_stop_by_a_part_or_a_route_holds_too() -> None:
    criteria = small_set({"asked": {**STRENGTH, "without_reference": "hop"}, "hop": HOP}, asks=["asked"], not_today=[])
    assert holds_on(criteria, painful(), assessment()) == [PAIN]


def test_giving_way_goes_on_as_a_setback_and_not_as_a_hold() -> None:
    unstable = assessment(hop(100, "giving_way"), on=YESTERDAY)
    assert holds_on(HOPS, unstable, assessment()) == []


def test_a_stop_for_pain_in_an_occasion_after_the_judged_one_holds() -> None:
    morning, station = (assessment(occasion="morning", at=at) for at in ("09:00", "16:00"))
    assert holds_on(HOPS, morning, painful(on=TODAY, at="10:00"), station) == [PAIN]


# What ends it


@pytest.mark.parametrize(
    "quiet",
    [hop(), measured("side_hop", LEFT, 9), hop(100, "balance"), hop(100, trials_summarised=3)],
    ids=["the test", "another of its classes", "one valid trial", "a summary"],
)
def test_a_quiet_test_of_its_classes_ends_a_stop_for_pain(quiet: dict[str, Any]) -> None:
    assert holds_on(SIDE_HOPS, painful(), assessment(quiet)) == []


@pytest.mark.parametrize(
    "loud",
    [
        hop("balance"),
        hop(pain=None),
        not_measured("hop", LEFT, "unable", "could_not"),
        not_measured("hop", LEFT, "not_done", "time"),
        measured("hop", RIGHT, 100),
        measured("strength", LEFT, 100),
        measured("backward_walk", LEFT, 100),
    ],
    ids=["no valid trial", "pain not answered", "unable", "not done", "other side", "another class", "unknown test"],
)
def test_nothing_else_ends_a_stop_for_pain(loud: dict[str, Any]) -> None:
    assert holds_on(SIDE_HOPS, painful(), assessment(loud)) == [PAIN]


def test_another_stop_does_not_end_the_first() -> None:
    held = holds_on(SIDE_HOPS, painful(), assessment(measured("side_hop", LEFT, 9, pain=8)))
    assert held == [PAIN, ["not_met", "pain_beyond_limit", "side_hop"]]


@pytest.mark.parametrize("medication", ["paracetamol", None])
def test_a_masked_test_does_not_end_a_stop_for_pain(medication: str | None) -> None:
    check = {key: one for key, one in {**QUIET, "medication_24h": medication}.items() if one is not None}
    assert holds_on(HOPS, painful(), assessment(hop(), session_check=check)) == [PAIN]


def test_a_quiet_test_between_ends_it_for_good() -> None:
    between = assessment(hop(), on=YESTERDAY)
    assert holds_on(HOPS, painful(on="2026-11-17"), between, assessment()) == []


def test_a_quiet_test_before_it_ends_nothing() -> None:
    before = assessment(hop(), on="2026-11-17")
    assert holds_on(SIDE_HOPS, before, painful(), assessment()) == [PAIN]


def test_a_setback_does_not_end_a_stop() -> None:
    assert holds_on(HOPS, painful(), event("setback", YESTERDAY), assessment()) == [PAIN]


def test_a_stop_in_a_test_of_the_person_is_ended_by_the_person() -> None:
    sprint = small_set({"sprint": {"test": "sprint", "metric": "value", "at_most": "99 s"}}, not_today=[])
    stopped = assessment(measured("sprint", None, 9, pain=7), on=YESTERDAY)
    quiet = assessment(measured("sprint", None, 9))
    held = ["not_met", "pain_beyond_limit", "sprint"]
    assert [holds_on(sprint, stopped, one) for one in (assessment(), quiet)] == [[held], []]


def test_a_stop_in_a_test_that_does_not_load_is_ended_without_asking_for_pain() -> None:
    stopped = assessment(measured("lunge", LEFT, 9, 9, 9, "pain"), on=YESTERDAY)
    quiet = assessment(measured("lunge", LEFT, 9, 9, 9, pain=None))
    assert holds_on(RANGE, stopped, quiet) == []


def test_a_stop_in_a_test_of_the_person_is_not_ended_by_the_uninvolved_side() -> None:
    impact = small_set({"hop": HOP, "sprint": {"test": "sprint", "metric": "value", "at_most": "99 s"}}, not_today=[])
    stopped = assessment(measured("sprint", None, 9, pain=7), on=YESTERDAY)
    assert holds_on(impact, stopped, assessment(measured("hop", RIGHT, 100))) == [
        ["not_met", "pain_beyond_limit", "sprint"]
    ]


def test_pain_and_giving_way_in_one_test_are_two_stops() -> None:
    assert holds_on(HOPS, assessment(hop(100, "giving_way", pain=8))) == [
        ["not_met", "gave_way", "hop"],
        PAIN,
    ]


# The morning after


BAD_MORNING = ["not_met", "pain_beyond_limit", "pain_at_rest"]


def loaded(start: int | None = 1, **changes: Any) -> Draft:
    check = {key: one for key, one in {**QUIET, "pain_at_rest": start}.items() if one is not None}
    return assessment(hop(), **{"ref": "first", "on": "2026-11-18", "session_check": check, **changes})


def morning(pain: int, follows: str = "first", on: str = YESTERDAY, **answers: Any) -> Draft:
    return follow_up(follows, on=on, session_check={**QUIET, "pain_at_rest": pain, **answers})


@pytest.mark.parametrize(("pain", "holds"), [(1, []), (2, []), (3, [BAD_MORNING])])
def test_a_morning_rise_above_the_limit_holds_gates_that_read_a_loading_test(pain: int, holds: list[list[str]]) -> None:
    assert [holds_on(one, loaded(), morning(pain), at=TODAY) for one in (STRONG, RANGE)] == [holds, []]


def test_a_start_not_answered_counts_as_nothing() -> None:
    assert holds_on(HOPS, loaded(None), morning(2), at=TODAY) == [BAD_MORNING]


def test_a_morning_after_tests_that_do_not_load_is_no_stop() -> None:
    resting = assessment(measured("lunge", LEFT, 9, 9, 9), ref="first", on="2026-11-18")
    assert holds_on(HOPS, resting, morning(9), at=TODAY) == []


def test_a_morning_after_loading_the_other_side_alone_is_no_stop() -> None:
    other = assessment(measured("hop", RIGHT, 100), ref="first", on="2026-11-18")
    assert holds_on(HOPS, other, morning(9), at=TODAY) == []


def test_a_bad_morning_holds_until_a_quiet_one_of_a_later_occasion() -> None:
    again = loaded(ref="second", on=TODAY)
    quiet = morning(1, "second", "2026-11-21")
    held = [holds_on(HOPS, loaded(), morning(3), again, *more) for more in ((), (quiet,))]
    assert held == [[BAD_MORNING], []]


def test_a_masked_quiet_morning_ends_nothing() -> None:
    entries = loaded(), morning(3), loaded(ref="second", on=TODAY)
    masked = morning(1, "second", "2026-11-21", medication_24h="opioid")
    assert holds_on(HOPS, *entries, masked) == [BAD_MORNING]


def test_a_second_quiet_answer_for_the_same_occasion_ends_nothing() -> None:
    assert holds_on(HOPS, loaded(), morning(3), morning(1, on=TODAY), at=TODAY) == [BAD_MORNING]


def test_a_setback_does_not_end_a_bad_morning() -> None:
    assert holds_on(HOPS, loaded(), morning(3), event("setback", TODAY), at=TODAY) == [BAD_MORNING]
