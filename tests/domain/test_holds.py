"""What holds a gate beside its criteria: findings, scope, the screen, not today, swapped sides."""

from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    SCREEN,
    TODAY,
    Draft,
    assessment,
    both,
    confirmation,
    event,
    follow_up,
    holds_on,
    measured,
    not_measured,
    told,
    verdict_of,
)
from tests.domain.small_set import GATE, NOT_TODAY, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "50 cm"}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "5 cm"}
INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "50 %", "within_days": 21}
TIMED = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "50 %", "within_days": 21}

LOADING = small_set({"hop": HOP})
QUIET_GATE = small_set({"lunge": LUNGE})
EMPTY = small_set({"hop": HOP}, stages={GATE: [], "later": ["hop"]})


def hopped(**changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, 100), **changes)


def lunged(**changes: Any) -> Draft:
    return assessment(measured("lunge", LEFT, 10, 10, 10), **changes)


def without(questions: dict[str, Any], *names: str) -> dict[str, Any]:
    return {key: one for key, one in questions.items() if key not in names}


def test_nothing_holds_a_quiet_battery_that_answers_everything() -> None:
    assert holds_on(LOADING, hopped()) == []


# Findings


def test_an_open_finding_holds_every_gate() -> None:
    raised = hopped(referral={**SCREEN, "numb": True})
    assert [holds_on(one, raised) for one in (LOADING, EMPTY)] == [[["finding_open", "finding_open", "numb"]]] * 2


# Scope


def test_another_condition_is_outside_the_scope() -> None:
    assert holds_on(LOADING, hopped(facts={"condition": "high_ankle_sprain"})) == [
        ["outside_scope", "outside_scope", "conditions"]
    ]


def test_both_sides_are_outside_the_scope_of_a_set_that_does_not_accept_them() -> None:
    scope = {"conditions": ["lateral_ankle_sprain"], "bilateral": False}
    criteria = small_set({"hop": HOP}, scope=scope)
    battery = assessment(both("hop", 100, 100), facts={"involved_side": "both"})
    assert holds_on(criteria, battery) == [["outside_scope", "outside_scope", "bilateral"]]
    assert holds_on(LOADING, battery) == []


@pytest.mark.parametrize(
    ("born", "holds"),
    [
        ({"birth_year": 2011}, []),
        ({"birth_year": 2012}, [["outside_scope", "outside_scope", "age"]]),
        ({"birth_year": 2012, "birth_month": 10}, []),
        ({"birth_year": 2012, "birth_month": 12}, [["outside_scope", "outside_scope", "age"]]),
        ({}, [["outside_scope", "age_unknown", "age"]]),
    ],
    ids=["14 or 15", "13 or 14", "14", "13", "unknown"],
)
def test_the_younger_of_two_ages_counts_for_a_minimum(born: dict[str, int], holds: list[list[str]]) -> None:
    assert holds_on(LOADING, hopped(athlete=born)) == holds


@pytest.mark.parametrize(("year", "held"), [(1987, False), (1986, False), (1985, True)])
def test_the_older_of_two_ages_counts_for_a_maximum(year: int, held: bool) -> None:  # noqa: FBT001 - a case, no switch
    scope = {"conditions": ["lateral_ankle_sprain"], "age": {"at_most": 40}, "bilateral": True}
    criteria = small_set({"hop": HOP}, scope=scope)
    assert bool(holds_on(criteria, hopped(athlete={"birth_year": year}))) is held


def test_without_an_age_rule_an_unknown_age_is_no_hold() -> None:
    criteria = small_set({"hop": HOP}, scope={"conditions": ["lateral_ankle_sprain"], "bilateral": True})
    assert holds_on(criteria, hopped(athlete={})) == []


def test_outside_the_scope_the_values_are_still_computed() -> None:
    found = verdict_of(LOADING, hopped(facts={"condition": "high_ankle_sprain"}))
    assert found["reasons"] == [["hop", None, "met", "met", "100", "1", False]]
    assert (found["outcome"], found["hold_because"]) == ("hold", ["outside_scope"])


# The referral screen


def test_a_referral_question_not_answered_holds_every_gate() -> None:
    silent = hopped(referral=without(SCREEN, "numb"))
    assert [holds_on(one, silent) for one in (LOADING, EMPTY)] == [[["not_assessed", "unanswered", "numb"]]] * 2


def test_the_screen_is_answered_once_an_episode() -> None:
    assert holds_on(LOADING, assessment(on="2026-11-01"), hopped(referral=None)) == []


def test_the_screen_is_due_again_after_a_re_injury() -> None:
    entries = assessment(on="2026-11-01"), event("re_injury", "2026-11-10"), hopped(referral=None)
    assert [about for *_, about in holds_on(LOADING, *entries)] == ["numb", "squeeze"]


@pytest.mark.parametrize("kind", ["setback", "giving_way"])
def test_the_screen_is_not_due_again_after_another_setback(kind: str) -> None:
    assert holds_on(LOADING, assessment(on="2026-11-01"), event(kind, "2026-11-10"), hopped(referral=None)) == []


def test_the_screen_answered_with_the_telling_of_the_re_injury_is_answered() -> None:
    telling = hopped(since_last=told(("re_injury", "2026-11-10")))
    assert holds_on(LOADING, assessment(on="2026-11-01"), telling) == []


def test_the_screen_of_another_episode_does_not_answer_for_this_one() -> None:
    other = assessment(episode="E2", on="2026-11-01")
    assert [about for *_, about in holds_on(LOADING, other, hopped(referral={}))] == ["numb"]


@pytest.mark.parametrize(
    ("born", "asked"),
    [
        ({"birth_year": 2008}, True),
        ({"birth_year": 2007}, False),
        ({"birth_year": 2008, "birth_month": 10}, False),
        ({}, True),
    ],
    ids=["17 or 18", "18 or 19", "18", "unknown"],
)
def test_a_question_bound_to_an_age_is_asked_if_either_age_asks_it(
    born: dict[str, int],
    asked: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    silent = hopped(athlete=born, referral=without(SCREEN, "growth_plate"))
    assert (["not_assessed", "unanswered", "growth_plate"] in holds_on(LOADING, silent)) is asked


@pytest.mark.parametrize(("year", "asked"), [(1976, True), (1977, False)])
def test_a_question_may_have_a_least_age(year: int, asked: bool) -> None:  # noqa: FBT001 - a case, no switch
    question = {"id": "old_bone", "when": {"age": {"at_least": 50}}, "ask": "Is it?", "action": "Refer."}
    criteria = small_set({"hop": HOP}, referral=[question])
    assert bool(holds_on(criteria, hopped(athlete={"birth_year": year}))) is asked


@pytest.mark.parametrize(
    ("onset", "asked"),
    [("2026-11-07", True), ("2026-11-06", True), ("2026-11-05", False), ("2026-11", True), ("2026-10", False)],
)
def test_an_early_question_is_asked_within_its_days_from_onset(
    onset: str,
    asked: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    silent = hopped(facts={"onset_on": onset}, referral=without(SCREEN, "squeeze"))
    assert (["not_assessed", "unanswered", "squeeze"] in holds_on(LOADING, silent)) is asked


@pytest.mark.parametrize(("on", "asked"), [("2026-11-06", True), ("2026-11-05", False)])
def test_an_early_question_is_counted_from_the_last_re_injury(
    on: str,
    asked: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    entries = event("re_injury", "2026-10-10"), event("re_injury", on)
    silent = hopped(referral=without(SCREEN, "squeeze"))
    assert (["not_assessed", "unanswered", "squeeze"] in holds_on(LOADING, *entries, silent)) is asked


# Since last time


def test_since_last_time_not_told_holds_a_gate_that_asks_anything() -> None:
    assert holds_on(QUIET_GATE, lunged(since_last=None)) == [["not_assessed", "unanswered", "since_last"]]


def test_sessions_alone_do_not_tell_what_happened_since_last_time() -> None:
    silent = lunged(since_last={"sessions": []})
    assert holds_on(QUIET_GATE, silent) == [["not_assessed", "unanswered", "since_last"]]


def test_since_last_time_not_told_does_not_hold_a_gate_that_asks_nothing() -> None:
    assert holds_on(EMPTY, assessment(since_last=None)) == []


def test_one_station_tells_since_last_time_for_the_occasion() -> None:
    stations = lunged(occasion="day", since_last=None), assessment(occasion="day", at="16:00")
    assert holds_on(QUIET_GATE, *stations) == []


def test_an_older_telling_does_not_answer_for_the_judged_occasion() -> None:
    assert holds_on(QUIET_GATE, assessment(on="2026-11-19"), lunged(since_last=None)) == [
        ["not_assessed", "unanswered", "since_last"]
    ]


def test_without_any_assessment_nothing_is_answered() -> None:
    first = hopped(ref="first", on="2026-11-18")
    gone = [first, follow_up("first", on="2026-11-19"), event("setback", "2026-11-19")]
    void = gone[2]._replace(kind="void", document={"entry": "first"})
    holds = holds_on(LOADING, *gone[:2], void, at=TODAY)
    assert [about for *_, about in holds] == ["limp", "numb", "pain_at_rest", "since_last"]


# Not today


@pytest.mark.parametrize(
    ("answers", "holds"),
    [
        ({"limp": True}, [["not_today", "not_today", "limp"]]),
        ({"pain_at_rest": 5}, []),
        ({"pain_at_rest": 6}, [["not_today", "not_today", "pain_at_rest"]]),
    ],
    ids=["limp", "pain on the limit", "pain above it"],
)
def test_an_answer_of_the_session_check_forbids_loading_tests(answers: Any, holds: list[list[str]]) -> None:
    assert holds_on(LOADING, hopped(session_check={**QUIET, **answers})) == holds


def test_an_answer_at_least_as_high_as_a_limit_may_forbid_too() -> None:
    criteria = small_set({"hop": HOP}, not_today=[{"question": "pain_at_rest", "at_least": 5}])
    held = [holds_on(criteria, hopped(session_check={**QUIET, "pain_at_rest": pain})) for pain in (4, 5)]
    assert held == [[], [["not_today", "not_today", "pain_at_rest"]]]


def test_an_answer_as_a_word_may_forbid_too() -> None:
    criteria = small_set({"hop": HOP}, not_today=[{"question": "medication_24h", "is": "opioid"}])
    held = [holds_on(criteria, hopped(session_check={**QUIET, "medication_24h": one})) for one in ("none", "opioid")]
    assert held == [[], [["not_today", "not_today", "medication_24h"]]]


def test_a_not_today_question_not_answered_holds() -> None:
    assert holds_on(LOADING, hopped(session_check=without(QUIET, "limp"))) == [["not_assessed", "unanswered", "limp"]]


def test_the_worse_of_two_stations_answers() -> None:
    stations = hopped(occasion="day"), assessment(occasion="day", at="16:00", session_check={**QUIET, "limp": True})
    assert holds_on(LOADING, *stations) == [["not_today", "not_today", "limp"]]


def test_the_morning_after_is_read_too() -> None:
    entries = hopped(ref="first"), follow_up("first", session_check={**QUIET, "limp": True})
    assert holds_on(LOADING, *entries) == [["not_today", "not_today", "limp"]]


def test_the_morning_does_not_answer_for_the_start() -> None:
    entries = hopped(ref="first", session_check=without(QUIET, "limp")), follow_up("first")
    assert holds_on(LOADING, *entries) == [["not_assessed", "unanswered", "limp"]]


@pytest.mark.parametrize(("on", "held"), [("2026-11-17", False), ("2026-11-18", True), (TODAY, True)])
def test_a_reported_event_forbids_for_its_days(on: str, held: bool) -> None:  # noqa: FBT001 - a case, no switch
    telling = hopped(since_last=told(("giving_way", on)))
    assert (["not_today", "not_today", "giving_way"] in holds_on(LOADING, telling)) is held


def test_an_event_rule_without_days_reads_today_alone() -> None:
    criteria = small_set({"hop": HOP}, not_today=[{"event": "giving_way"}])
    held = [holds_on(criteria, hopped(since_last=told(("giving_way", on)))) for on in ("2026-11-19", TODAY)]
    assert held == [[], [["not_today", "not_today", "giving_way"]]]


def test_another_kind_of_event_does_not_forbid() -> None:
    assert holds_on(LOADING, hopped(since_last=told(("setback", TODAY)))) == []


def test_giving_way_in_a_trial_of_an_earlier_occasion_forbids() -> None:
    unstable = assessment(measured("side_hop", LEFT, "giving_way"), on="2026-11-19")
    assert ["not_today", "not_today", "giving_way"] in holds_on(LOADING, unstable, hopped())


def test_giving_way_in_a_trial_of_the_judged_occasion_is_a_stop_and_not_a_not_today() -> None:
    unstable = assessment(measured("hop", LEFT, 100, "giving_way"))
    assert holds_on(LOADING, unstable) == [["not_met", "gave_way", "hop"]]


def test_a_deferred_test_that_the_gate_reads_holds() -> None:
    deferred = assessment(not_measured("hop", LEFT, "deferred", "not_safe_today"))
    assert holds_on(LOADING, deferred) == [["not_today", "deferred", "hop"]]


def test_a_deferred_test_that_the_gate_does_not_read_does_not_hold() -> None:
    deferred = hopped()._replace(
        document=assessment(
            measured("hop", LEFT, 100), not_measured("strength", LEFT, "deferred", "not_safe_today")
        ).document
    )
    assert holds_on(LOADING, deferred) == []


def test_a_gate_that_reads_no_loading_test_asks_nothing_of_today() -> None:
    limping = lunged(session_check={"limp": True}, since_last=told(("giving_way", TODAY)))
    assert holds_on(QUIET_GATE, limping) == []


@pytest.mark.parametrize(
    "criteria",
    [
        {"asked": {"all": ["lunge", "hop"]}, "lunge": LUNGE, "hop": HOP},
        {"asked": {**LUNGE, "without_reference": "hop"}, "hop": HOP},
        {"asked": {**LUNGE, "without_equipment": "group"}, "group": {"any": ["hop"]}, "hop": HOP},
        {"asked": {"tests": "loading", "metric": "worst_pain", "at_most": 9, "within_days": 1}},
        {"asked": {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 9, "within_days": 1}},
    ],
    ids=["by a part", "by a route", "by a part of a route", "by a class", "by a rise after"],
)
def test_a_gate_reads_a_loading_test_by_part_route_and_class(criteria: dict[str, Any]) -> None:
    limping = assessment(session_check={**QUIET, "limp": True})
    assert ["not_today", "not_today", "limp"] in holds_on(small_set(criteria, asks=["asked"]), limping)


# Sides that look swapped


def sides(hops: tuple[Any, Any] | None = None, times: tuple[Any, Any] | None = None, **changes: Any) -> Draft:
    found = both("hop", *hops) if hops else []
    if times:
        found += both("side_hop", [times[0]] * 2, [times[1]] * 2)
    return assessment(found, **{"confirmed": None, **changes})


SIDES = small_set({"hops": INDEX, "times": TIMED}, not_today=[])
SWAPPED = [["not_assessed", "sides_unconfirmed", TODAY]]


@pytest.mark.parametrize(("hop", "held"), [("114.9", False), ("115", True), ("115.1", True)])
def test_the_only_two_sided_test_decides_alone_whether_sides_look_swapped(
    hop: str,
    held: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    assert (holds_on(SIDES, sides((hop, 100))) == SWAPPED) is held


def test_two_tests_that_favour_the_involved_side_look_swapped() -> None:
    assert holds_on(SIDES, sides((120, 100), (8, 10))) == SWAPPED


def test_one_test_of_two_that_favours_the_involved_side_does_not_look_swapped() -> None:
    assert holds_on(SIDES, sides((120, 100), (10, 10))) == []


def test_a_test_that_two_criteria_compare_is_one_test() -> None:
    criteria = small_set({"hops": INDEX, "hops-90": {**INDEX, "at_least": "90 %"}, "times": TIMED}, not_today=[])
    assert holds_on(criteria, sides((120, 100), (10, 10))) == []


def test_where_less_is_better_the_quicker_involved_side_looks_swapped() -> None:
    assert holds_on(SIDES, sides(None, (10, "11.5"))) == SWAPPED


def test_nothing_on_the_other_side_looks_swapped() -> None:
    assert SWAPPED[0] in holds_on(SIDES, sides((100, 0)))


def test_nothing_on_both_sides_does_not_look_swapped() -> None:
    assert holds_on(SIDES, sides((0, 0))) == []


def test_more_pain_on_the_other_side_looks_swapped() -> None:
    measurements = [measured("hop", LEFT, 100, pain=1), measured("hop", RIGHT, 100, pain=2)]
    assert holds_on(SIDES, assessment(measurements, confirmed=None)) == SWAPPED


def test_equal_pain_on_both_sides_does_not_look_swapped() -> None:
    measurements = [measured("hop", LEFT, 100, pain=2), measured("hop", RIGHT, 100, pain=2)]
    assert holds_on(SIDES, assessment(measurements, confirmed=None)) == []


def test_pain_on_a_symptomatic_other_side_does_not_look_swapped() -> None:
    measurements = [measured("hop", LEFT, 100, pain=1), measured("hop", RIGHT, 100, pain=2)]
    symptomatic = assessment(measurements, confirmed=None, facts={"other_side": "symptomatic"})
    assert holds_on(SIDES, symptomatic) == []


def test_pain_on_an_other_side_with_an_open_episode_does_not_look_swapped() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT})
    measurements = [measured("hop", LEFT, 100, pain=1), measured("hop", RIGHT, 100, pain=2)]
    assert holds_on(SIDES, other, assessment(measurements, confirmed=None)) == []


def test_a_confirmed_occasion_does_not_hold() -> None:
    assert holds_on(SIDES, sides((120, 100), (8, 10), confirmed=["sides"])) == []
    entries = sides((120, 100), (8, 10), ref="first"), confirmation("first")
    assert holds_on(SIDES, *entries, at=TODAY) == []


def test_an_occasion_that_a_two_sided_criterion_carries_holds_with_its_own_date() -> None:
    entries = sides((120, 100), (8, 10), on="2026-11-16"), assessment()
    assert holds_on(SIDES, *entries) == [["not_assessed", "sides_unconfirmed", "2026-11-16"]]


def test_an_occasion_that_no_two_sided_criterion_reads_any_more_does_not_hold() -> None:
    old = sides((120, 100), (8, 10), on="2026-10-29")
    assert holds_on(SIDES, old, assessment()) == []


def test_tests_that_no_two_sided_criterion_reads_are_not_looked_at() -> None:
    criteria = small_set({"hops": {**INDEX, "test": "strength"}, "hop": HOP}, not_today=[])
    assert holds_on(criteria, sides((120, 100))) == []


def test_two_involved_sides_never_look_swapped() -> None:
    bilateral = sides((120, 100), (8, 10), facts={"involved_side": "both"})
    assert holds_on(SIDES, bilateral) == []


def test_a_side_not_measured_is_not_compared() -> None:
    alone = assessment(measured("hop", LEFT, 200), confirmed=None)
    few = assessment(both("side_hop", [1, 1], [10]), confirmed=None)
    assert [holds_on(SIDES, one) for one in (alone, few)] == [[], []]


# The list


def test_holds_stand_in_the_order_of_their_kinds() -> None:
    everything = assessment(
        measured("hop", LEFT, 100, pain=8),
        facts={"condition": "high_ankle_sprain"},
        referral={"numb": True, "growth_plate": False},
        session_check={**QUIET, "limp": True},
        since_last=None,
    )
    found = verdict_of(LOADING, everything)
    assert found["holds"] == [
        ["finding_open", "finding_open", "numb"],
        ["not_today", "not_today", "limp"],
        ["outside_scope", "outside_scope", "conditions"],
        ["not_met", "pain_beyond_limit", "hop"],
        ["not_assessed", "unanswered", "since_last"],
    ]
    assert found["hold_because"] == ["finding_open", "not_today", "outside_scope", "not_met", "not_assessed"]


def test_each_hold_stands_once() -> None:
    rules = [*NOT_TODAY, {"question": "limp", "is": True}]
    criteria = small_set({"hop": HOP}, not_today=rules)
    assert holds_on(criteria, hopped(session_check={**QUIET, "limp": True})) == [["not_today", "not_today", "limp"]]
