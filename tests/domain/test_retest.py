"""When to test again, what can be done sooner, and the question on the morning after."""

from typing import Any

import pytest

from service.domain.explain import explain
from service.domain.judge import judge
from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    Draft,
    assessment,
    both,
    evidence,
    exception,
    follow_up,
    measured,
    not_measured,
    session,
    told,
)
from tests.domain.small_set import GATE, RETEST, TESTS, small_set

HOP = {"test": "side_hop", "metric": "value", "at_most": "10 s"}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "10 cm"}
RISES = {"test": "heel_rises", "metric": "value", "at_least": 20}
STRENGTH = {"test": "strength", "metric": "value", "at_least": "100 N"}
RESTING = {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 21}
CONFIDENCE = {"test": "confidence", "metric": "value", "at_least": 7}
PAIN = {"tests": ["side_hop"], "metric": "worst_pain", "at_most": 2}
DAYS = {"sessions": ["training"], "metric": "count", "at_least": 2, "within_days": 21}
WALK = {"sessions": ["walk"], "take": "latest", "metric": "worst_pain", "at_most": 2, "within_days": 21}
EVENTS = {"events": ["setback"], "metric": "count", "within_days": 21, "at_most": 0}
NO_LIMP = {"question": "limp", "metric": "value", "is": False}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}

SLOW = measured("side_hop", LEFT, 12, 12)
QUICK = measured("side_hop", LEFT, 9, 9)


def proposals(criteria: Any, *drafts: Draft, at: str | None = None) -> tuple[Any, Any]:
    seen = evidence(*drafts, at=at)
    advice = explain(judge(seen, criteria, GATE), seen, criteria)
    return advice["retest"], advice["follow_up"]


def retest_of(criteria: dict[str, Any], *drafts: Draft, at: str | None = None, **changes: Any) -> Any:
    return proposals(small_set(criteria, not_today=[], **changes), *drafts, at=at)[0]


def days_of(criteria: dict[str, Any], *drafts: Draft, **changes: Any) -> tuple[int, int]:
    found = retest_of(criteria, *drafts, **changes)
    return found["after_days"], found["window_days"]


def test_a_pass_proposes_no_retest() -> None:
    assert retest_of({"hop": HOP}, assessment(QUICK)) is None


# The interval of each class: days after and window of the small set


@pytest.mark.parametrize(
    ("criterion", "battery", "interval"),
    [
        (HOP, assessment(SLOW), (5, 1)),
        (LUNGE, assessment(measured("lunge", LEFT, 9, 9, 9)), (4, 2)),
        (RISES, assessment(measured("heel_rises", LEFT, 19)), (7, 2)),
        (CONFIDENCE, assessment(measured("confidence", None, 6)), (3, 2)),
        (HOP, assessment(not_measured("side_hop", LEFT, "unable", "could_not")), (5, 1)),
        (PAIN, assessment(measured("side_hop", LEFT, 9, 9, pain=3)), (3, 2)),
        (WALK, assessment(since_last=told(sessions=[session("walk", "2026-11-18", worst_pain=4)])), (3, 2)),
        ({**EVENTS, "within_days": 3}, assessment(since_last=told(("setback", "2026-11-18"))), (3, 2)),
        (DAYS, assessment(), (2, 2)),
        (WALK, assessment(), (2, 2)),
        (HOP, assessment(), (2, 3)),
        (NO_LIMP, assessment(session_check={**QUIET, "limp": True}), (2, 2)),
    ],
    ids=[
        "hops",
        "mobility",
        "strength",
        "pain by the test's class",
        "unable by the test's class",
        "worst pain",
        "pain in a session",
        "events",
        "too few sessions",
        "no session",
        "missing",
        "an answer",
    ],
)
def test_what_was_unmet_has_the_interval_of_its_class(
    criterion: dict[str, Any], battery: Draft, interval: tuple[int, int]
) -> None:
    assert days_of({"asked": criterion}, battery) == interval


def test_a_stop_waits_as_pain_does() -> None:
    stopped = assessment(measured("side_hop", LEFT, 9, 9, pain=8))
    assert days_of({"hop": HOP}, stopped) == (3, 2)


def test_an_open_finding_waits_for_the_outcome_of_the_referral() -> None:
    raised = assessment(QUICK, referral={"numb": True, "growth_plate": False})
    assert days_of({"hop": HOP}, raised) == (1, 2)


def test_not_today_waits_as_not_today_does() -> None:
    criteria = small_set({"hop": HOP})
    retest, _ = proposals(criteria, assessment(QUICK, session_check={**QUIET, "limp": True}))
    assert (retest["after_days"], retest["window_days"]) == (2, 2)


def test_what_was_not_answered_at_the_start_waits_as_what_was_not_done() -> None:
    unasked = {key: one for key, one in QUIET.items() if key != "limp"}
    retest, _ = proposals(small_set({"hop": HOP}), assessment(QUICK, session_check=unasked))
    assert (retest["after_days"], retest["window_days"]) == (2, 3)


@pytest.mark.parametrize(
    "changes",
    [
        {"since_last": None},
        {"referral": None},
        {"athlete": {}},
        {"facts": {"other_side": "unknown"}},
    ],
    ids=["since last time", "referral", "birth year", "other side"],
)
def test_what_is_mended_at_once_proposes_no_retest(changes: dict[str, Any]) -> None:
    index = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
    battery = assessment(both("side_hop", [9, 9], [9, 9]), **changes)
    assert retest_of({"index": index}, battery) is None


def test_sides_to_confirm_propose_no_retest() -> None:
    index = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
    assert retest_of({"index": index}, assessment(both("side_hop", [7, 7], [9, 9]), confirmed=None)) is None


def test_what_a_word_about_the_other_side_may_decide_is_not_tested_again() -> None:
    index = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %"}
    criteria = {"group": {"any": ["index", "lunge"]}, "index": index, "lunge": LUNGE}
    battery = assessment(both("side_hop", [9, 9], [9, 9]), facts={"other_side": "unknown"})
    assert retest_of(criteria, battery, asks=["group"]) is None
    both_ = {**criteria, "group": {"all": ["index", "lunge"]}}
    assert days_of(both_, battery, asks=["group"]) == (2, 3)


def test_being_outside_the_scope_proposes_no_retest() -> None:
    assert retest_of({"hop": HOP}, assessment(QUICK, facts={"condition": "high_ankle_sprain"})) is None


def test_an_answer_awaited_proposes_no_retest() -> None:
    assert retest_of({"morning": MORNING}, assessment(QUICK)) is None


def test_what_is_excepted_proposes_no_retest() -> None:
    entries = exception("hop", "2026-12-01"), assessment(SLOW)
    assert retest_of({"hop": HOP}, *entries) is None


def test_of_a_group_each_part_that_was_not_met_counts() -> None:
    criteria = {"group": {"any": ["hop", "rises"]}, "hop": HOP, "rises": RISES}
    both_short = assessment(SLOW, measured("heel_rises", LEFT, 19))
    assert days_of(criteria, both_short, asks=["group"]) == (7, 2)
    one_short = assessment(SLOW, measured("heel_rises", LEFT, 20))
    assert days_of({**criteria, "group": {"all": ["hop", "rises"]}}, one_short, asks=["group"]) == (5, 1)


def test_of_a_route_the_criterion_judged_in_its_place_counts() -> None:
    criteria = {
        "asked": {"test": "strength", "metric": "value", "at_least": "1 N", "without_equipment": "lunge"},
        "lunge": LUNGE,
    }
    battery = assessment(not_measured("strength", LEFT, "not_done", "no_equipment"), measured("lunge", LEFT, 9, 9, 9))
    assert days_of(criteria, battery, asks=["asked"]) == (4, 2)


# One visit


def test_the_latest_of_the_intervals_decides() -> None:
    short = assessment(SLOW, measured("heel_rises", LEFT, 19), measured("lunge", LEFT, 9, 9, 9))
    assert days_of({"hop": HOP, "rises": RISES, "lunge": LUNGE}, short) == (7, 2)


def test_the_date_is_counted_from_today() -> None:
    assert retest_of({"hop": HOP}, assessment(SLOW))["due_on"] == "2026-11-25"
    late = {"hop": {**HOP, "within_days": 21}}
    assert retest_of(late, assessment(SLOW), at="2026-11-22")["due_on"] == "2026-11-27"


def test_it_says_why() -> None:
    because = retest_of({"hop": HOP}, assessment(SLOW))["because"]
    assert "side hop" in because.lower()


# Rest


def resting(days: int) -> dict[str, Any]:
    """Return tests in which the hop rests for some days; its interval is that of mobility, four days."""
    return {"hop": {**TESTS["hop"], "rest_days": days, "retest_class": "mobility"}}


@pytest.mark.parametrize(("rest", "days"), [(3, 4), (4, 4), (5, 5)])
def test_a_maximal_test_rests_first(rest: int, days: int) -> None:
    short = assessment(measured("hop", LEFT, 90))
    assert days_of({"hop": RESTING}, short, tests=resting(rest))[0] == days


def test_rest_is_counted_from_the_last_attempt_on_either_side() -> None:
    entries = (
        assessment(measured("hop", LEFT, 90), on="2026-11-14"),
        assessment(measured("hop", RIGHT, 90), on="2026-11-18"),
        assessment(),
    )
    assert days_of({"hop": RESTING}, *entries, tests=resting(9))[0] == 7


def test_rest_says_what_it_is_for() -> None:
    found = retest_of({"hop": RESTING}, assessment(measured("hop", LEFT, 90)), tests=resting(9))
    assert "hop" in found["because"].lower()
    assert found["window_days"] == 2


def test_a_maximal_test_that_was_met_need_not_rest() -> None:
    fine = assessment(measured("hop", LEFT, 120), measured("lunge", LEFT, 9, 9, 9))
    assert days_of({"hop": RESTING, "lunge": LUNGE}, fine, tests=resting(9))[0] == 4


def test_a_maximal_test_never_done_need_not_rest() -> None:
    assert days_of({"hop": RESTING}, assessment(), tests=resting(9))[0] == 2


# Bounds


def bounded(earliest: int, latest: int) -> dict[str, Any]:
    return {**RETEST, "bounds": {"earliest_days": earliest, "latest_days": latest}}


@pytest.mark.parametrize(("bounds", "days"), [((1, 14), 5), ((6, 14), 6), ((1, 4), 4), ((5, 5), 5)])
def test_the_bounds_hold(bounds: tuple[int, int], days: int) -> None:
    assert days_of({"hop": HOP}, assessment(SLOW), retest=bounded(*bounds))[0] == days


def test_the_latest_bound_holds_over_rest() -> None:
    short = assessment(measured("hop", LEFT, 90))
    assert days_of({"hop": RESTING}, short, tests=resting(20), retest=bounded(1, 14))[0] == 14


# Sooner


def test_what_can_be_done_sooner_is_listed_with_it() -> None:
    criteria = {"rises": RISES, "days": DAYS, "hop": HOP}
    battery = assessment(measured("heel_rises", LEFT, 19), referral={"numb": True, "growth_plate": False})
    found = retest_of(criteria, battery)
    assert found["after_days"] == 7
    assert [(one["about"], one["interval"], one["after_days"], one["due_on"]) for one in found["sooner"]] == [
        ("numb", "referral_outcome", 1, "2026-11-21"),
        ("days", "sessions", 2, "2026-11-22"),
        ("hop", "not_done", 2, "2026-11-22"),
    ]
    assert [one["what"] for one in found["sooner"]] == [
        '"Is the foot numb?" was answered yes',
        "days with training within 21 days",
        "side hop",
    ]


def test_what_decides_the_date_is_not_sooner() -> None:
    assert retest_of({"hop": HOP}, assessment())["sooner"] == []


def test_a_shorter_interval_of_training_is_not_sooner() -> None:
    short = assessment(SLOW, measured("heel_rises", LEFT, 19))
    assert retest_of({"hop": HOP, "rises": RISES}, short)["sooner"] == []


def test_a_thing_stands_once_among_what_can_be_done_sooner() -> None:
    twice = {"group": {"any": ["index", "pain"]}, "again": {"any": ["index", "pain"]}, "index": HOP, "pain": PAIN}
    short = assessment(measured("heel_rises", LEFT, 19))
    found = retest_of({**twice, "rises": RISES}, short, asks=["group", "again", "rises"])
    assert [one["about"] for one in found["sooner"]] == ["index", "pain"]


def test_nothing_is_sooner_than_the_rest_of_its_own_tests() -> None:
    few = {"index": {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"}, "rises": RISES}
    battery = assessment(measured("hop", LEFT, 120), measured("heel_rises", LEFT, 19))
    [sooner] = retest_of(few, battery, tests=resting(6))["sooner"]
    assert (sooner["about"], sooner["due_on"]) == ("index", "2026-11-26")
    assert retest_of(few, battery, tests=resting(7))["sooner"] == []


# What can pass at all


@pytest.mark.parametrize(
    ("allowed", "told_on", "due_on"),
    [
        (0, ["2026-11-19"], "2026-11-25"),
        (0, ["2026-11-18", "2026-11-19"], "2026-11-25"),
        (1, ["2026-11-17", "2026-11-19"], "2026-11-23"),
    ],
)
def test_an_event_must_lie_far_enough_back(allowed: int, told_on: list[str], due_on: str) -> None:
    quiet = {"events": ["setback"], "metric": "count", "within_days": 5, "at_most": allowed}
    battery = assessment(since_last=told(*(("setback", on) for on in told_on)))
    assert retest_of({"quiet": quiet}, battery)["due_on"] == due_on


def test_events_of_a_whole_episode_can_not_lie_further_back() -> None:
    never = {"events": ["setback"], "metric": "count", "at_most": 0}
    assert days_of({"never": never}, assessment(since_last=told(("setback", "2026-11-19")))) == (3, 2)


def test_an_event_asked_for_has_no_last_date() -> None:
    wanted = {"events": ["setback"], "metric": "count", "within_days": 5, "at_least": 1}
    assert days_of({"wanted": wanted}, assessment()) == (3, 2)


def test_an_event_that_forbids_testing_must_lie_far_enough_back() -> None:
    battery = assessment(QUICK, since_last=told(("giving_way", "2026-11-20")))
    rules = [{"event": "giving_way", "within_days": 6}]
    found, _ = proposals(small_set({"hop": HOP}, not_today=rules), battery)
    assert found["due_on"] == "2026-11-27"


def test_days_that_are_missing_take_their_days() -> None:
    trained = told(sessions=[session("training", "2026-11-18", minutes=60)])
    many = {**DAYS, "at_least": 5}
    assert days_of({"days": many}, assessment(since_last=trained)) == (4, 2)
    assert days_of({"days": DAYS}, assessment(since_last=trained)) == (2, 2)


# Which tests must rest for a worst rating


OVER = {"tests": "loading", "metric": "worst_pain", "at_most": 2, "within_days": 21}


@pytest.mark.parametrize(
    ("hop", "strength", "days"),
    [
        ({"pain": None}, {}, 4),
        ({}, {"pain": None}, 7),
        ({"pain": 3}, {}, 4),
        ({"pain": 3}, {"pain": None}, 7),
        ({"pain": 6}, {}, 4),
        ({}, {"pain": 6}, 7),
    ],
)
def test_only_what_must_be_read_again_rests(hop: dict[str, Any], strength: dict[str, Any], days: int) -> None:
    battery = assessment(measured("hop", LEFT, 120, **hop), measured("strength", LEFT, 100, **strength))
    assert days_of({"pain": OVER}, battery)[0] == days


def test_what_was_masked_is_read_again() -> None:
    masked = assessment(measured("strength", LEFT, 100), session_check={**QUIET, "medication_24h": "opioid"})
    assert days_of({"pain": OVER}, masked)[0] == 7


def test_of_named_tests_the_one_left_out_is_done_again() -> None:
    both_ = {"tests": ["hop", "strength"], "metric": "worst_pain", "at_most": 2, "within_days": 3}
    entries = assessment(measured("strength", LEFT, 100), on="2026-11-16"), assessment(measured("hop", LEFT, 120))
    assert days_of({"pain": both_}, *entries)[0] == 3


def test_after_giving_way_everything_of_the_gate_is_done_again() -> None:
    battery = assessment(measured("side_hop", LEFT, 9, 9, "giving_way"), measured("strength", LEFT, 200))
    assert days_of({"hop": HOP, "strength": STRENGTH}, battery)[0] == 7


# The morning after


def follow_up_of(*drafts: Draft, at: str | None = None) -> Any:
    return proposals(small_set({"confidence": CONFIDENCE}), *drafts, at=at)[1]


def test_a_follow_up_is_proposed_after_a_loading_test() -> None:
    found = follow_up_of(assessment(QUICK))
    assert (found["due_on"], found["asks"]) == ("2026-11-21", ["pain_at_rest", "medication_24h"])


@pytest.mark.parametrize(
    "battery",
    [
        assessment(),
        assessment(measured("lunge", LEFT, 9, 9, 9)),
        assessment(measured("side_hop", RIGHT, 9, 9)),
        assessment(not_measured("side_hop", LEFT, "not_done", "time")),
    ],
    ids=["nothing", "no loading", "the other side", "not done"],
)
def test_no_follow_up_is_proposed_without_a_loading_test(battery: Draft) -> None:
    assert follow_up_of(battery) is None


def test_what_the_morning_has_answered_is_not_asked_again() -> None:
    entries = assessment(QUICK, ref="first"), follow_up("first", session_check={"pain_at_rest": 0})
    assert follow_up_of(*entries)["asks"] == ["medication_24h"]


def test_a_morning_that_answered_everything_ends_it() -> None:
    assert follow_up_of(assessment(QUICK, ref="first"), follow_up("first")) is None


@pytest.mark.parametrize(("at", "is_asked"), [("2026-11-22", True), ("2026-11-23", False)])
def test_a_follow_up_is_proposed_until_its_window_is_over(
    at: str,
    is_asked: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    assert (follow_up_of(assessment(QUICK), at=at) is not None) is is_asked


def test_without_any_assessment_there_is_no_morning_after() -> None:
    first = assessment(QUICK, ref="first", on="2026-11-18")
    void = first._replace(kind="void", id=None, document={"entry": "first"})
    assert follow_up_of(first, follow_up("first", on="2026-11-19"), void, at="2026-11-20") is None
