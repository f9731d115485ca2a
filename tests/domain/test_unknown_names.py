"""A record may hold what the judging set does not know: tests, answers and sessions of older versions and other sets.

Nothing of it is read as a value, nothing of it breaks an answer, and no warning in it is lost.
"""

from typing import Any

import pytest

from service.domain.explain import explain
from service.domain.judge import judge
from service.domain.record import Entry, Moment
from service.domain.standing import History, standing
from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    SCREEN,
    SETUP,
    Draft,
    assessment,
    both,
    code_of,
    evidence,
    follow_up,
    holds_on,
    measured,
    not_measured,
    numbered,
    resolution,
    session,
    told,
    verdict_of,
)
from tests.domain.small_set import GATE, QUESTIONS, TESTS, small_set

CRITERIA = {
    "hop": {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 21},
    "pain": {"tests": "loading", "metric": "worst_pain", "at_most": 2, "within_days": 21},
    "training": {"sessions": ["training"], "metric": "worst_pain", "take": "latest", "at_most": 2},
    "events": {"events": ["giving_way"], "metric": "count", "at_most": 0, "within_days": 14},
}
NEW_TEST = {**TESTS["lunge"], "title": "Backward walk", "sides": "each", "loading": True, "classes": ["gait"]}
OLDER = small_set(CRITERIA, tests={"backward_walk": NEW_TEST}, not_today=[])
NEWER = small_set(CRITERIA, not_today=[])
RANGE = small_set({"lunge": {"test": "lunge", "metric": "value", "at_least": "1 cm", "within_days": 21}}, not_today=[])
STRONG = small_set(
    {"strength": {"test": "strength", "metric": "value", "at_least": "1 N", "within_days": 21}}, not_today=[]
)

YESTERDAY = "2026-11-19"
TRAINED = told(sessions=[session("training", "2026-11-18")])
HELD = ["not_met", "pain_beyond_limit", "backward_walk"]


def walk(*values: Any, side: str | None = LEFT, **changes: Any) -> dict[str, Any]:
    return measured("backward_walk", side, *(values or (9, 9, 9)), **{"pain": 0, "instability": 0, **changes})


def shown(*more: Any, **changes: Any) -> Draft:
    return assessment(*both("hop", 100, 100), *more, **{"since_last": TRAINED, **changes})


def advised(criteria: Any, *drafts: Draft, supported_stage: str | None = None) -> dict[str, Any]:
    seen = evidence(*drafts)
    return explain(judge(seen, criteria, GATE), seen, criteria, supported_stage=supported_stage)


# Tests


@pytest.mark.parametrize(
    "unknown",
    [
        walk(),
        walk(side=None),
        walk("balance", summarised=None),
        measured("backward_walk", LEFT, 9, unit="parsec", trials_summarised=3, pain=0),
        not_measured("backward_walk", LEFT, "unable", "could_not"),
        not_measured("backward_walk", LEFT, "not_done", "no_equipment"),
        not_measured("backward_walk", LEFT, "deferred", "unsafe"),
        walk(side=RIGHT, pain=9),
    ],
    ids=["measured", "of the person", "no valid trial", "summarised", "unable", "not done", "deferred", "other side"],
)
def test_a_test_that_the_set_does_not_know_changes_nothing_of_a_pass(unknown: dict[str, Any]) -> None:
    without, beside = verdict_of(NEWER, shown()), verdict_of(NEWER, shown(unknown))

    assert beside == without
    assert beside["outcome"] == "pass"
    assert advised(NEWER, shown(unknown))["data_quality"] == advised(NEWER, shown())["data_quality"]


@pytest.mark.parametrize(
    ("unknown", "code", "words"),
    [
        (walk(9, "pain"), "pain_beyond_limit", "pain ended backward walk, left (pain 0)"),
        (walk(9, "giving_way"), "gave_way", "the joint gave way in backward walk, left"),
        (
            not_measured("backward_walk", LEFT, "unable", "pain"),
            "pain_beyond_limit",
            "pain ended backward walk, left",
        ),
        (
            not_measured("backward_walk", LEFT, "unable", "giving_way"),
            "gave_way",
            "the joint gave way in backward walk, left",
        ),
        (walk(pain=6), "pain_beyond_limit", "pain 6 in backward walk, left, the limit is 5"),
    ],
    ids=["trial for pain", "trial gave way", "unable for pain", "unable gave way", "pain above"],
)
def test_its_stop_holds_every_gate_that_reads_a_loading_test_and_is_told(
    unknown: dict[str, Any], code: str, words: str
) -> None:
    stopped = shown(unknown)

    assert holds_on(NEWER, stopped) == [["not_met", code, "backward_walk"]]
    assert holds_on(RANGE, stopped) == []
    advice = advised(NEWER, stopped)
    assert advice["holds"][0]["statement"] == f"Stopped: {words}."
    assert advice["retest"]["because"].startswith("pain and stability need time to settle")


def test_pain_on_the_limit_in_it_is_no_stop() -> None:
    assert holds_on(NEWER, shown(walk(pain=5))) == []


def test_its_giving_way_is_a_setback_of_later_occasions_and_is_counted_as_an_event() -> None:
    verdict = verdict_of(NEWER, shown(walk(9, "giving_way"), on=YESTERDAY), shown())
    events = next(row for row in verdict["reasons"] if row[0] == "events")

    assert events[3:6] == ["above", "1", "1"]
    assert code_of(CRITERIA["hop"], shown(walk(9, "giving_way"), on=YESTERDAY), assessment()) == "before_setback"


def test_its_stop_for_pain_goes_on_holding_until_a_known_loading_test_is_quiet() -> None:
    stopped = shown(walk(pain=8), on=YESTERDAY)

    assert holds_on(STRONG, stopped, assessment()) == [HELD]
    assert holds_on(RANGE, stopped, assessment()) == []
    assert holds_on(STRONG, stopped, assessment(measured("strength", LEFT, 100))) == []


@pytest.mark.parametrize(
    "later",
    [
        measured("strength", RIGHT, 100),
        measured("strength", LEFT, 100, pain=6),
        measured("strength", LEFT, 100, pain=None),
        measured("lunge", LEFT, 9, 9, 9),
        measured("sideways_walk", LEFT, 9, pain=0),
        walk(pain=None),
    ],
    ids=["other side", "painful", "pain not answered", "not loading", "not known either", "itself, pain not answered"],
)
def test_what_is_no_quiet_loading_test_of_that_side_does_not_end_it(later: dict[str, Any]) -> None:
    held = holds_on(STRONG, shown(walk(pain=8), on=YESTERDAY), assessment(later))
    assert HELD in held


def test_done_quietly_itself_it_ends_its_own_stop() -> None:
    assert holds_on(STRONG, shown(walk(pain=8), on=YESTERDAY), assessment(walk())) == []


def test_it_ends_no_stop_of_a_test_that_the_set_knows() -> None:
    stopped = shown(measured("strength", LEFT, 100, pain=8), on=YESTERDAY)
    assert holds_on(STRONG, stopped, assessment(walk())) == [["not_met", "pain_beyond_limit", "strength"]]


def test_the_set_that_knows_it_reads_its_classes_as_before() -> None:
    criterion = {"test": "strength", "metric": "value", "at_least": "1 N", "within_days": 21}
    older = small_set({"strength": criterion}, tests={"backward_walk": NEW_TEST}, not_today=[])
    stopped = shown(walk(pain=8), on=YESTERDAY)

    assert holds_on(older, stopped, assessment()) == [], "another class, so nothing to do with strength"
    assert holds_on(OLDER, stopped, assessment(*both("hop", 100, 100))) == [HELD], "a gate that reads it"


def test_a_bad_morning_after_it_holds_and_a_quiet_one_after_it_ends_nothing() -> None:
    bad = {"pain_at_rest": 4, "medication_24h": "none"}
    quiet = {"pain_at_rest": 0, "medication_24h": "none"}
    morning = ["not_met", "pain_beyond_limit", "pain_at_rest"]
    only_walked = assessment(walk(), on="2026-11-15", ref="one")
    hopped = assessment(*both("hop", 100, 100), on="2026-11-15", ref="one")
    after_bad = follow_up("one", on="2026-11-16", session_check=bad)

    assert morning in holds_on(NEWER, only_walked, after_bad, shown())
    again = assessment(walk(), on="2026-11-17", ref="two")
    assert morning in holds_on(NEWER, hopped, after_bad, again, follow_up("two", on="2026-11-18", session_check=quiet))
    again = assessment(*both("hop", 100, 100), on="2026-11-17", ref="two")
    after = follow_up("two", on="2026-11-18", session_check=quiet)
    assert morning not in holds_on(NEWER, hopped, after_bad, again, after)


def test_its_sides_and_its_baseline_are_not_read() -> None:
    swapped = [walk(pain=0), walk(side=RIGHT, pain=4)]
    assert verdict_of(NEWER, shown(*swapped, confirmed=None))["holds"] == []


def test_a_decision_is_withdrawn_by_a_stop_in_a_test_that_came_later() -> None:
    first = numbered([shown(ref="first")])
    decided = verdict_of(NEWER, shown(ref="first"))
    decision = Entry(2, "decision", "decision", "E1", first[0].occurred_at, first[0].occurred_on, {"verdict": decided})
    later = numbered([shown(ref="first"), shown(), shown(walk(pain=8), on="2026-11-22"), shown(on="2026-11-22")])
    now = Moment("2026-11-22T20:00:00.000000Z", later[2].occurred_on)

    kept = History([*first, decision], lambda _digest: NEWER, now)
    stopped = History([*first, decision, later[2]], lambda _digest: NEWER, now)
    assert decided["outcome"] == "pass"
    assert [standing(decision, one).state for one in (kept, stopped)] == ["standing", "withdrawn"]


# Questions


def test_a_finding_of_a_question_that_the_set_does_not_ask_holds_and_is_told() -> None:
    found = shown(referral={**SCREEN, "cold_foot": True}, on=YESTERDAY)
    advice = advised(NEWER, found, shown())

    assert holds_on(NEWER, found, shown()) == [["finding_open", "finding_open", "cold_foot"]]
    sentence = 'A referral sign is open ("cold foot" was answered yes): it holds until a named person resolves it.'
    assert advice["holds"] == [{"statement": sentence, "action": None}]
    assert advice["summary"].startswith(f"Hold: {sentence}")
    assert advice["retest"]["because"] == "the outcome of the referral is awaited: cold foot"


def test_such_a_finding_is_closed_by_a_named_person() -> None:
    found = shown(referral={**SCREEN, "cold_foot": True}, on=YESTERDAY)
    assert holds_on(NEWER, found, resolution("cold_foot", "ruled_out"), shown()) == []


def test_a_quiet_answer_to_a_question_that_the_set_does_not_ask_does_nothing() -> None:
    assert holds_on(NEWER, shown(referral={**SCREEN, "cold_foot": False})) == []


def test_other_questions_of_the_session_check_are_not_read() -> None:
    told_more = {**QUIET, "slept": "badly", "mood": 3, "fever": True}
    quiet = verdict_of(NEWER, shown())
    assert verdict_of(NEWER, shown(session_check=told_more)) == quiet
    assert advised(NEWER, shown(session_check=told_more)) == advised(NEWER, shown())


@pytest.mark.parametrize("answer", ["a little", True, 11])
def test_an_answer_that_the_set_does_not_know_is_not_read(answer: Any) -> None:
    rule = [{"question": "pain_at_rest", "above": 5}]
    at_rest = {"question": "pain_at_rest", "metric": "value", "at_most": 2}
    asked = small_set({**CRITERIA, "rest": at_rest}, not_today=rule)
    battery = shown(session_check={**QUIET, "pain_at_rest": answer})
    verdict = verdict_of(asked, battery)

    assert ["not_assessed", "unanswered", "pain_at_rest"] in verdict["holds"]
    assert [row[3] for row in verdict["reasons"] if row[0] == "rest"] == ["unanswered"]
    assert advised(asked, battery)["retest"] is not None


@pytest.mark.parametrize("answers", [(False, "now and then"), ("now and then", False)])
def test_beside_an_answer_that_the_set_does_not_know_a_good_one_is_not_trusted(answers: tuple[Any, Any]) -> None:
    asked = small_set({"limp": {"question": "limp", "metric": "value", "is": False}})
    stations = [
        shown(session_check={**QUIET, "limp": answer}, occasion="clinic", at=at)
        for answer, at in zip(answers, ("14:00", "15:00"), strict=True)
    ]
    verdict = verdict_of(asked, *stations)

    assert [row[3] for row in verdict["reasons"]] == ["unanswered"]
    assert ["not_assessed", "unanswered", "limp"] not in verdict["holds"], "the gate reads no loading test"


def test_beside_an_answer_that_the_set_does_not_know_a_bad_one_still_forbids_testing() -> None:
    stations = [
        shown(session_check={**QUIET, "limp": answer}, occasion="clinic", at=at)
        for answer, at in ((True, "14:00"), ("now and then", "15:00"))
    ]
    held = holds_on(small_set(CRITERIA), *stations)

    assert ["not_today", "not_today", "limp"] in held
    assert ["not_assessed", "unanswered", "limp"] in held


def test_a_morning_answer_that_the_set_does_not_know_forbids_nothing() -> None:
    first = shown(ref="one")
    rule = [{"question": "limp", "at_least": 3}]
    odd = {"limp": "now and then", "pain_at_rest": 0, "medication_24h": "none"}
    asked = small_set(CRITERIA, not_today=rule)
    assert ["not_today", "not_today", "limp"] not in holds_on(asked, first, follow_up("one", session_check=odd))


def test_a_medicine_that_the_set_does_not_know_masks_pain() -> None:
    at_rest = {"question": "pain_at_rest", "metric": "value", "at_most": 2}
    asked = small_set({"rest": at_rest})
    battery = shown(session_check={**QUIET, "medication_24h": "herbal_rub"})

    assert code_of(at_rest, battery) == "masked"
    statement = advised(asked, battery)["reasons"][0]["statement"]
    assert statement == "Pain at rest: medication (herbal rub) masks pain."
    assert "herbal_rub" not in QUESTIONS["medication_24h"]["answers"]


# Sessions, setup, stages


def test_sessions_of_other_kinds_are_not_read() -> None:
    more = told(
        sessions=[
            session("training", "2026-11-18"),
            session("swim", "2026-11-19", worst_pain=9, minutes=30),
            session("swim", "2026-11-17", medication="opioid", next_morning_rise=8),
        ]
    )
    assert verdict_of(NEWER, shown(since_last=more)) == verdict_of(NEWER, shown())
    assert advised(NEWER, shown(since_last=more)) == advised(NEWER, shown())


def test_setup_that_the_set_does_not_match_by_is_not_read() -> None:
    assert verdict_of(NEWER, shown(setup={**SETUP, "floor": "grass"})) == verdict_of(NEWER, shown())


def test_one_setup_answer_on_both_sides_matches_though_the_set_does_not_know_it() -> None:
    assert verdict_of(NEWER, shown(setup={**SETUP, "support": "sleeve"}))["outcome"] == "pass"


def test_a_supported_stage_of_another_version_leaves_the_first_stages_lines() -> None:
    assert advised(NEWER, shown(walk(pain=8)), supported_stage="gone")["next_steps"]["stage"] == GATE
