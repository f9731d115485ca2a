"""The advice: the first sentence, figures, what they rest on, flags, next steps."""

from typing import Any

import pytest

from service.domain.explain import Advice, explain
from service.domain.judge import judge
from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    Draft,
    assessment,
    baseline,
    both,
    evidence,
    exception,
    follow_up,
    measured,
    not_measured,
    session,
    told,
)
from tests.domain.small_set import GATE, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 21, "work_on": "Hop more."}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s", "work_on": "Sprint more."}
INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 21}
TIMED = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 21}
DIFFERENCE = {"test": "lunge", "metric": "side_difference", "at_most": "1.5 cm"}
SHARE = {"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}
NO_LIMP = {"question": "limp", "metric": "value", "is": False}
TWO = {"hop": HOP, "sprint": SPRINT}


def advice_on(criteria: Any, *drafts: Draft, at: str | None = None, stage: str = GATE, **more: Any) -> Advice:
    seen = evidence(*drafts, at=at)
    return explain(judge(seen, criteria, stage), seen, criteria, **more)


def first_reason(criterion: dict[str, Any], *drafts: Draft, **others: Any) -> dict[str, Any]:
    found: dict[str, Any] = advice_on(small_set({"asked": criterion, **others}, asks=["asked"]), *drafts)["reasons"][0]
    return found


def battery(hop: Any = 120, sprint: Any = 9, **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, hop), measured("sprint", None, sprint), **changes)


# The first sentence


def test_a_pass_says_how_many_criteria_are_met() -> None:
    assert advice_on(small_set(TWO), battery())["summary"] == "Pass: both required criteria are met."
    assert advice_on(small_set({"hop": HOP}), battery())["summary"] == "Pass: the one required criterion is met."


def test_a_stage_that_asks_nothing_says_so() -> None:
    criteria = small_set(TWO, stages={GATE: [], "later": list(TWO)})
    assert advice_on(criteria, assessment())["summary"].startswith("Pass: this stage asks no criterion of its own")


def test_what_is_excepted_is_counted_apart() -> None:
    summary = advice_on(small_set(TWO), exception("hop", "2026-12-01"), battery(90))["summary"]
    assert summary == "Pass: 1 of 2 required criteria are met; 1 excepted."


def test_a_hold_counts_each_sort_of_open_criterion() -> None:
    criteria = small_set({**TWO, "morning": MORNING, "limp": NO_LIMP, "lunge": DIFFERENCE})
    summary = advice_on(criteria, battery(90))["summary"]
    assert summary.endswith("2 of 5 required criteria are met; 1 not met; 1 not assessed; 1 awaiting an answer.")


# Each piece of news leads over those after it; the words are how its sentence is recognised.
NEWS: list[tuple[str, dict[str, Any], str]] = [
    ("open finding", {"referral": {"numb": True, "growth_plate": False, "squeeze": False}}, "numb"),
    ("stop", {"sprint": {"pain": 8}}, "Stopped"),
    ("not today", {"session_check": {**QUIET, "limp": True}}, "Not today"),
    ("outside the scope", {"facts": {"condition": "high_ankle_sprain"}}, "Outside the scope"),
    ("unable", {"unable": True}, "Strength"),
    ("clear miss", {"hop": 50}, "Hop: 50 cm"),
    ("near miss", {"rises": 19}, "Heel rises: 19"),
    ("missing", {"lunge": False}, "Lunge"),
    ("awaiting", {}, "morning after"),
]
LEADS = small_set(
    {
        "rises": {"test": "heel_rises", "metric": "value", "at_least": 20},
        "morning": MORNING,
        "lunge": {"test": "lunge", "metric": "value", "at_least": "5 cm"},
        "hop": HOP,
        "strength": {"test": "strength", "metric": "value", "at_least": "1 N"},
        "sprint": SPRINT,
    }
)


def news(*pieces: dict[str, Any]) -> Draft:
    """Return a battery with all these pieces of news."""
    said: dict[str, Any] = {key: one for piece in pieces for key, one in piece.items()}
    strong = not_measured("strength", LEFT, "unable", "could_not")
    measurements = [
        measured("hop", LEFT, said.pop("hop", 120)),
        measured("heel_rises", LEFT, said.pop("rises", 25)),
        measured("sprint", None, 9, **said.pop("sprint", {})),
        strong if said.pop("unable", False) else measured("strength", LEFT, 100),
        *([measured("lunge", LEFT, 9, 9, 9)] if said.pop("lunge", True) else []),
    ]
    return assessment(measurements, **said)


@pytest.mark.parametrize("place", range(len(NEWS)), ids=[name for name, *_ in NEWS])
def test_the_worst_news_leads(place: int) -> None:
    _name, _piece, words = NEWS[place]
    summary = advice_on(LEADS, news(*(piece for _, piece, _ in NEWS[place:])))["summary"]
    leading = summary.partition(" required criteria")[0]
    assert words in leading


def test_a_criterion_stopped_by_giving_way_leads_like_its_stop() -> None:
    unstable = assessment(measured("hop", LEFT, 120, "giving_way"), measured("sprint", None, 9))
    assert "gave way" in advice_on(small_set(TWO), unstable)["summary"]


def test_a_miss_of_a_limit_of_nothing_is_compared_by_its_size() -> None:
    landings = {"test": "side_hop", "metric": "failed_landings", "at_most": 0}
    criteria = small_set({"landings": landings, "hop": HOP})
    failed = assessment(measured("side_hop", LEFT, 9, "balance", 9, 9), measured("hop", LEFT, 99))
    assert "failed landings: 1" in advice_on(criteria, failed)["summary"]


def test_what_is_excepted_does_not_lead() -> None:
    summary = advice_on(small_set(TWO), exception("hop", "2026-12-01"), battery(50, 11))["summary"]
    assert "Sprint: 11 s" in summary


def test_a_group_missed_leads_over_what_is_missing() -> None:
    criteria = small_set({"lunge": DIFFERENCE, "group": {"all": ["hop"]}, "hop": HOP}, asks=["lunge", "group"])
    assert "0 met, 1 needed" in advice_on(criteria, battery(90))["summary"]


# Figures


def test_a_figure_that_ends_is_exact_text() -> None:
    reason = first_reason(INDEX, assessment(both("hop", "1.17", "1.30")))
    assert reason["measured"] == {"value": "90", "unit": "%"}
    assert reason["threshold"] == {"comparator": "at_least", "value": "90", "unit": "%"}
    assert reason["margin"] == {"value": "0", "unit": "%"}


def test_a_figure_that_does_not_end_has_its_fraction_beside_it() -> None:
    reason = first_reason(INDEX, assessment(both("hop", 80, 90)))
    assert reason["measured"] == {"value": "88.8889", "unit": "%", "numerator": "800", "denominator": "9"}
    assert reason["margin"] == {"value": "-1.11111", "unit": "%", "numerator": "-10", "denominator": "9"}


@pytest.mark.parametrize(("involved", "margin"), [(9, "0.5"), ("8.5", "0"), (8, "-0.5")])
def test_a_margin_is_positive_when_met_under_at_most_too(involved: Any, margin: str) -> None:
    reason = first_reason(DIFFERENCE, assessment(both("lunge", [involved] * 3, [10] * 3)))
    assert reason["margin"] == {"value": margin, "unit": "cm"}


def test_an_answer_has_a_threshold_and_no_figure() -> None:
    reason = first_reason(NO_LIMP, assessment())
    assert (reason["measured"], reason["margin"]) == (None, None)
    assert reason["threshold"] == {"comparator": "is", "value": "false", "unit": "1"}


def test_an_answer_as_a_word_stands_as_it_is() -> None:
    asked = {"question": "medication_24h", "metric": "value", "is": "none"}
    assert first_reason(asked, assessment())["threshold"]["value"] == "none"


def test_nothing_measured_has_neither_figure_nor_margin() -> None:
    reason = first_reason(HOP, assessment())
    assert (reason["measured"], reason["margin"], reason["inputs"]) == (None, None, [])


def test_a_group_counts_its_parts() -> None:
    criteria = small_set({"group": {"any": ["hop", "sprint"], "needed": 2}, **TWO}, asks=["group"])
    group, hop, sprint = advice_on(criteria, battery(90))["reasons"]
    assert (group["measured"], group["margin"]) == ({"value": "1", "unit": "1"}, {"value": "-1", "unit": "1"})
    assert group["threshold"] == {"comparator": "at_least", "value": "2", "unit": "1"}
    assert (group["metric"], hop["metric"], sprint["metric"]) == (None, "value", "value")


def test_a_group_that_can_not_be_decided_names_the_part_that_would() -> None:
    criteria = small_set({"group": {"any": ["hop", "sprint"]}, **TWO}, asks=["group"])
    group = advice_on(criteria, assessment(measured("hop", LEFT, 90)))["reasons"][0]
    assert "would decide it" in group["statement"]
    assert "sprint" in group["statement"].lower()


def test_a_routed_criterion_says_its_route_and_has_no_figure() -> None:
    routed, target = advice_on(
        small_set({"asked": {**INDEX, "without_reference": "hop"}, "hop": HOP}, asks=["asked"]),
        assessment(both("hop", 120, 120), facts={"other_side": "symptomatic"}),
    )["reasons"]
    assert (routed["route"], routed["measured"], routed["inputs"]) == ("without_reference", None, [])
    assert routed["threshold"] == {"comparator": "at_least", "value": "90", "unit": "%"}
    assert (target["route"], target["measured"]) == (None, {"value": "120", "unit": "cm"})


def test_a_routed_group_keeps_its_own_threshold() -> None:
    criteria = small_set(
        {"asked": {"all": ["index"], "without_reference": "hop"}, "index": INDEX, "hop": HOP}, asks=["asked"]
    )
    battery = assessment(both("hop", 120, 120), facts={"other_side": "symptomatic"})
    routed = advice_on(criteria, battery)["reasons"][0]
    assert (routed["route"], routed["metric"], routed["threshold"]["value"]) == ("without_reference", None, "1")


@pytest.mark.parametrize(
    ("criterion", "drafts", "formula"),
    [
        (INDEX, [assessment(both("hop", 100, 100))], "100 x involved / uninvolved"),
        (TIMED, [assessment(both("side_hop", [9, 9], [9, 9]))], "100 x uninvolved / involved"),
        (DIFFERENCE, [assessment(both("lunge", [9] * 3, [9] * 3))], "uninvolved - involved"),
        (
            {"test": "foot_lifts", "metric": "side_difference", "at_most": 3},
            [assessment(both("foot_lifts", [1, 1], [1, 1]))],
            "involved - uninvolved",
        ),
        (
            SHARE,
            [baseline(measured("sprint", None, 9)), assessment(measured("sprint", None, 9))],
            "100 x baseline / now",
        ),
        (
            {"test": "hop", "metric": "percent_of_baseline", "at_least": "90 %"},
            [baseline(measured("hop", LEFT, 100)), assessment(measured("hop", LEFT, 100))],
            "100 x now / baseline",
        ),
        (
            INDEX,
            [baseline(measured("hop", LEFT, 120)), assessment(both("hop", 100, 100))],
            "100 x involved / baseline",
        ),
        (HOP, [assessment(measured("hop", LEFT, 100))], None),
    ],
)
def test_a_formula_names_what_was_compared(criterion: dict[str, Any], drafts: list[Draft], formula: str | None) -> None:
    assert first_reason(criterion, *drafts)["formula"] == formula


# What a figure rests on


def test_both_sides_are_shown_with_their_values_in_the_tests_unit() -> None:
    sides = [measured("hop", LEFT, "0.9", "balance", unit="m", pain=1), measured("hop", RIGHT, 100, pain=None)]
    one, other = first_reason(INDEX, assessment(sides, ref="B1"))["inputs"]
    assert one == {
        "role": "involved",
        "test": "hop",
        "side": LEFT,
        "result": "measured",
        "value": "90",
        "unit": "cm",
        "trials_used": 1,
        "trials_invalid": 1,
        "pain": 1,
        "instability": 0,
        "battery_id": "B1",
        "performed_at": "2026-11-20T15:00:00.000000Z",
    }
    assert (other["role"], other["side"], other["value"]) == ("other", RIGHT, "100")
    assert "pain" not in other


def test_a_baseline_is_shown_beside_the_two_sides() -> None:
    entries = baseline(measured("hop", LEFT, 110), ref="B0"), assessment(both("hop", 100, 100))
    found = first_reason(INDEX, *entries)["inputs"]
    assert [(one["role"], one["value"]) for one in found] == [
        ("involved", "100"),
        ("other", "100"),
        ("baseline", "110"),
    ]


def test_what_was_unable_says_why_and_has_no_value() -> None:
    [one] = first_reason(HOP, assessment(not_measured("hop", LEFT, "unable", "could_not")))["inputs"]
    assert (one["result"], one["because"]) == ("unable", "could_not")
    assert "value" not in one


@pytest.mark.parametrize(
    ("values", "changes", "used"),
    [((1, 2, 3, 4), {}, 3), ((1, 2), {}, 2), ((1,), {"trials_summarised": 5}, 5)],
    ids=["only the scored", "fewer", "summed up"],
)
def test_the_trials_used_are_counted(values: tuple[int, ...], changes: dict[str, Any], used: int) -> None:
    [one] = first_reason(HOP, assessment(measured("hop", LEFT, *values, **changes)))["inputs"]
    assert one["trials_used"] == used


def test_a_session_is_shown_with_what_was_told() -> None:
    walk = {"sessions": ["walk"], "take": "latest", "minutes": 30, "metric": "worst_pain", "at_most": 2}
    telling = told(sessions=[session("walk", "2026-11-18", minutes=40, worst_pain=1, next_morning_rise=None)])
    [one] = first_reason(walk, assessment(since_last=telling))["inputs"]
    assert one == {
        "role": "session",
        "kind": "walk",
        "on": "2026-11-18",
        "minutes": 40,
        "worst_pain": 1,
        "medication": "none",
    }


def test_a_session_without_medication_shows_none() -> None:
    drill = {"sessions": ["drill"], "take": "latest", "metric": "worst_pain", "at_most": 2}
    telling = told(sessions=[session("drill", "2026-11-18", efforts=4, medication=None)])
    [one] = first_reason(drill, assessment(since_last=telling))["inputs"]
    assert (one["efforts"], "medication" in one) == (4, False)


def test_an_event_is_shown_with_the_entries_that_tell_it() -> None:
    count = {"events": ["giving_way"], "metric": "count", "within_days": 7, "at_most": 0}
    [one] = first_reason(count, assessment(ref="B1", since_last=told(("giving_way", "2026-11-19"))))["inputs"]
    assert (one["role"], one["kind"], one["on"]) == ("event", "giving_way", "2026-11-19")
    assert "B1" in str(one)


def test_an_answer_is_shown_with_its_question() -> None:
    [one] = first_reason(NO_LIMP, assessment())["inputs"]
    assert one == {"role": "answer", "question": "limp", "on": "2026-11-20", "answer": False}


def test_a_rise_shows_start_and_morning() -> None:
    entries = assessment(measured("hop", LEFT, 100), ref="B1", session_check={**QUIET, "pain_at_rest": 1})
    [one] = first_reason(MORNING, entries, follow_up("B1", session_check={**QUIET, "pain_at_rest": 2}))["inputs"]
    assert (one["question"], one["start"], one["morning"]) == ("pain_at_rest", 1, 2)


def test_what_was_carried_names_its_date() -> None:
    older = assessment(measured("hop", LEFT, 120), on="2026-11-16")
    assert first_reason(HOP, older, assessment())["carried_from"] == "2026-11-16"
    assert first_reason(HOP, assessment(measured("hop", LEFT, 120)))["carried_from"] is None


def test_of_several_dates_the_oldest_is_named() -> None:
    worst = {"tests": "loading", "metric": "worst_pain", "at_most": 2, "within_days": 21}
    entries = (
        assessment(measured("hop", LEFT, 120), on="2026-11-10"),
        assessment(measured("strength", LEFT, 120), on="2026-11-16"),
        assessment(measured("sprint", None, 9)),
    )
    assert first_reason(worst, *entries)["carried_from"] == "2026-11-10"


def test_a_baseline_is_not_carried() -> None:
    entries = baseline(measured("sprint", None, 9)), assessment(measured("sprint", None, 9))
    assert first_reason(SHARE, *entries)["carried_from"] is None


# Only shown


def test_what_is_only_shown_stands_apart_where_it_was_measured() -> None:
    criteria = small_set(
        {"hop": HOP, "shown": {"test": "confidence", "metric": "value"}, "empty": {"test": "lunge", "metric": "value"}},
        stages={GATE: {"asks": ["hop"], "shows": ["shown", "empty"]}},
    )
    found = advice_on(criteria, assessment(measured("hop", LEFT, 120), measured("confidence", None, 8)))
    [shown] = found["shown"]
    assert (shown["criterion"], shown["metric"], shown["measured"]) == ("shown", "value", {"value": "8", "unit": "1"})
    assert shown["inputs"][0]["role"] == "person"
    assert len(found["reasons"]) == 1


def test_a_question_only_shown_is_a_score_or_nothing() -> None:
    criteria = small_set(
        {
            "hop": HOP,
            "rest": {"question": "pain_at_rest", "metric": "value"},
            "limp": {"question": "limp", "metric": "value"},
        },
        stages={GATE: {"asks": ["hop"], "shows": ["rest", "limp"]}},
    )
    found = advice_on(criteria, battery(session_check={**QUIET, "pain_at_rest": 3}))["shown"]
    assert [(one["criterion"], one["measured"]["value"]) for one in found] == [("rest", "3")]


# Holds


def test_each_hold_has_its_sentence_in_the_same_order() -> None:
    held = battery(referral={"numb": True, "growth_plate": False}, session_check={**QUIET, "limp": True})
    found = advice_on(small_set(TWO), held)["holds"]
    assert len(found) == 2
    assert [word in one["statement"] for word, one in zip(("numb", "Not today"), found, strict=True)] == [True, True]


# Flags


def flags(*drafts: Draft, **changes: Any) -> list[str]:
    return [one["code"] for one in advice_on(small_set({"hop": HOP}, **changes), *drafts)["data_quality"]]


def shown_before() -> Draft:
    return assessment(measured("heel_rises", LEFT, 20), on="2026-11-01")


def test_a_battery_as_expected_has_no_flag() -> None:
    assert flags(shown_before(), assessment(both("hop", 120, 120))) == []


@pytest.mark.parametrize(("value", "count"), [("39.9", 1), (40, 0), (300, 0), ("300.1", 1)])
def test_an_unusual_value_is_flagged(value: Any, count: int) -> None:
    assert flags(shown_before(), assessment(measured("hop", LEFT, value))) == ["implausible"] * count


def test_an_unusual_value_in_another_unit_is_flagged_in_its_own() -> None:
    found = advice_on(small_set({"hop": HOP}), shown_before(), assessment(measured("hop", LEFT, "3.5", unit="m")))
    assert "3.5 m" in found["data_quality"][0]["detail"]


def test_a_value_summed_up_by_the_sender_is_flagged() -> None:
    summary = measured("hop", LEFT, 120, trials_summarised=3)
    assert flags(shown_before(), assessment(summary)) == ["summarised_by_sender"]


def test_unequal_numbers_of_trials_on_the_two_sides_are_flagged_once() -> None:
    sides = both("hop", [120, 121, 122], [120, 121])
    assert flags(shown_before(), assessment(sides)) == ["trial_numbers_differ"]


def test_trials_beyond_the_scored_make_no_difference() -> None:
    assert flags(shown_before(), assessment(both("hop", [120, 121, 122, 123], [120, 121, 122]))) == []


def test_a_test_before_what_should_come_first_is_flagged() -> None:
    assert flags(assessment(measured("hop", LEFT, 120))) == ["not_shown_before"]


def test_each_flag_stands_once() -> None:
    assert flags(assessment(both("hop", 120, 120))) == ["not_shown_before"]


def test_what_was_not_measured_is_not_flagged() -> None:
    assert flags(assessment(not_measured("hop", LEFT, "not_done", "time"))) == []


def test_a_test_that_the_set_does_not_know_is_not_flagged() -> None:
    assert flags(assessment(measured("moon_walk", LEFT, 9999))) == []


@pytest.mark.parametrize(("year", "found"), [(2008, ["adult_figures"]), (2007, [])])
def test_the_figures_of_adults_are_flagged_for_the_young(year: int, found: list[str]) -> None:
    scope = {"conditions": ["lateral_ankle_sprain"], "bilateral": True, "adult_from": 18}
    assert flags(assessment(athlete={"birth_year": year}), scope=scope) == found


def test_without_a_birth_year_or_an_adult_age_nothing_is_flagged() -> None:
    scope = {"conditions": ["lateral_ankle_sprain"], "bilateral": True, "adult_from": 18}
    assert flags(assessment(athlete={}), scope=scope) == []


# Next steps

STAGES = {
    "first": {"asks": [], "may_continue": ["Walk."], "not_yet": ["Run."]},
    "second": {"asks": ["hop"], "may_continue": ["Run."], "not_yet": ["Hop."], "on_pass": ["Wear a brace."]},
    "third": {
        "asks": ["hop", "sprint"],
        "may_continue": [{"text": "Play.", "sources": ["smith-2021"]}],
        "on_pass": ["Warm up."],
    },
}
STAGED = small_set(TWO, stages=STAGES)


def test_a_pass_goes_on_with_the_stage_passed() -> None:
    steps = advice_on(STAGED, battery(), stage="second", supported_stage="second")["next_steps"]
    assert steps == {
        "now": [],
        "work_on": [],
        "stage": "second",
        "may_continue": ["Run."],
        "not_yet": ["Hop."],
        "on_pass": ["Wear a brace."],
    }


def test_a_line_may_carry_its_sources() -> None:
    steps = advice_on(STAGED, battery(), stage="third")["next_steps"]
    assert (steps["may_continue"], steps["not_yet"]) == (["Play."], [])


def test_a_hold_goes_on_with_the_supported_stage() -> None:
    found = advice_on(STAGED, battery(90), stage="third", supported_stage="second")
    assert found["supported_stage"] == "second"
    assert found["next_steps"] == {
        "now": [],
        "stage": "second",
        "work_on": ["Hop more."],
        "may_continue": ["Run."],
        "not_yet": ["Hop."],
        "on_pass": [],
    }


def test_a_hold_without_a_supported_stage_goes_on_with_the_first() -> None:
    found = advice_on(STAGED, battery(90), stage="third")
    assert (found["supported_stage"], found["next_steps"]["may_continue"]) == (None, ["Walk."])
    assert found["next_steps"]["stage"] == "first"


def test_what_was_not_met_is_worked_on_and_what_was_not_assessed_is_not() -> None:
    steps = advice_on(STAGED, assessment(measured("hop", LEFT, 90)), stage="third")["next_steps"]
    assert steps["work_on"] == ["Hop more."]


def test_what_is_excepted_is_not_worked_on() -> None:
    found = advice_on(small_set(TWO), exception("hop", "2026-12-01"), battery(90))
    assert found["next_steps"]["work_on"] == []


RAISED = {"referral": {"numb": True, "growth_plate": False}}


def test_an_open_finding_carries_its_question_and_its_action() -> None:
    [hold] = advice_on(small_set(TWO), battery(90, **RAISED))["holds"]
    assert hold["action"] == "Refer now."
    assert '"Is the foot numb?" was answered yes' in hold["statement"]


def test_the_action_of_an_open_finding_is_read_before_any_count() -> None:
    summary = advice_on(small_set(TWO), battery(**RAISED))["summary"]
    assert summary.index("Refer now.") < summary.index("Both required criteria are met.")


def test_nothing_goes_on_beside_an_open_finding() -> None:
    steps = advice_on(STAGED, battery(90, **RAISED), stage="third", supported_stage="second")["next_steps"]
    assert (steps["may_continue"], steps["stage"]) == ([], None)
    assert steps["not_yet"] == ["Anything that loads the joint: resolve the referral sign first."]


def test_outside_the_scope_the_set_says_nothing_of_what_goes_on() -> None:
    outside = battery(facts={"condition": "high_ankle_sprain"})
    steps = advice_on(STAGED, outside, stage="third")["next_steps"]
    assert (steps["may_continue"], steps["not_yet"], steps["stage"]) == ([], [], None)


def test_a_finding_of_another_set_has_no_action_here() -> None:
    other = assessment(episode="E2", on="2026-11-10", referral={"moon": True})
    [hold] = advice_on(small_set(TWO), other, battery())["holds"]
    assert hold["action"] is None


def routed(criteria: dict[str, Any], *drafts: Draft) -> list[str]:
    asked = {**INDEX, "without_reference": "clean", "work_on": "Get stronger."}
    found: list[str] = advice_on(small_set({"asked": asked, **criteria}, asks=["asked"]), *drafts)["next_steps"][
        "work_on"
    ]
    return found


@pytest.mark.parametrize(
    ("criteria", "work"),
    [
        ({"clean": {"all": ["hop", "pain"]}, "hop": HOP}, ["Hop more."]),
        ({"clean": {"all": ["hop", "pain"], "work_on": "All."}, "hop": {**HOP, "work_on": None}}, ["All."]),
        ({"clean": HOP}, ["Hop more."]),
    ],
    ids=["the part that failed", "the group without work of its parts", "a plain criterion"],
)
def test_of_a_route_what_failed_is_worked_on(criteria: dict[str, Any], work: list[str]) -> None:
    pain = {"tests": ["hop"], "metric": "worst_pain", "at_most": 2, "work_on": "Rest."}
    short = assessment(both("hop", 90, 90), facts={"other_side": "symptomatic"})
    assert routed({"pain": pain, **criteria}, short) == work


def test_a_route_says_what_failed_in_it() -> None:
    criteria = small_set(
        {"asked": {**INDEX, "without_reference": "clean"}, "clean": {"all": ["hop"]}, "hop": HOP}, asks=["asked"]
    )
    short = assessment(both("hop", 90, 90), facts={"other_side": "symptomatic"})
    assert advice_on(criteria, short)["summary"].startswith(
        "Hold: Hop, limb symmetry index: no usable other side or baseline, so clean (all 1) was judged in its place. "
        "Hop: 90 cm; at least 100 cm is required, 10 cm short. "
    )


# What ends a hold without testing


def now(criteria: Any, *drafts: Draft) -> list[str]:
    found: list[str] = advice_on(criteria, *drafts)["next_steps"]["now"]
    return found


def test_an_unknown_other_side_is_to_be_stated_once() -> None:
    criteria = small_set({"index": INDEX, "again": {**INDEX, "at_least": "80 %"}})
    [step] = now(criteria, assessment(both("hop", 100, 100), facts={"other_side": "unknown"}))
    assert "State whether the other side is healthy" in step


def test_a_missing_birth_year_is_to_be_sent() -> None:
    assert now(small_set(TWO), battery(athlete={})) == ["Send the birth year."]


def test_every_question_not_answered_is_asked() -> None:
    criteria = small_set(TWO)
    steps = now(criteria, battery(referral=None, since_last=None, athlete={"birth_year": 2012}))
    assert "Answer: Is the foot numb?" in steps
    assert "Answer: Is the growth plate tender?" in steps
    assert "Answer: What happened since last time?" in steps


def test_swapped_sides_are_to_be_confirmed() -> None:
    criteria = small_set({"hop": INDEX, "side": TIMED})
    swapped = assessment(both("hop", 130, 100), both("side_hop", [7, 7], [9, 9]), confirmed=None)
    assert now(criteria, swapped) == ["Confirm or correct the sides of 2026-11-20."]


def test_pain_only_left_out_may_be_sent_again() -> None:
    criteria = small_set({"pain": {"tests": ["hop"], "metric": "worst_pain", "at_most": 2}})
    [step] = now(criteria, assessment(measured("hop", LEFT, 120, pain=None)))
    assert "send the battery again with the answer: pain was not answered in hop, left" in step


def test_one_line_of_work_stands_once() -> None:
    criteria = small_set({"hop": HOP, "again": {**HOP, "at_least": "110 cm"}})
    assert advice_on(criteria, battery(90))["next_steps"]["work_on"] == ["Hop more."]


def test_a_criterion_may_have_no_work() -> None:
    quiet = {key: one for key, one in HOP.items() if key != "work_on"}
    assert advice_on(small_set({"hop": quiet}), battery(90))["next_steps"]["work_on"] == []
