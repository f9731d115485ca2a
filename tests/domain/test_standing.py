"""What has become of a decision since, and which stage the record supports."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import pytest

from service.domain.codes import WITHDRAWAL_CODES
from service.domain.criteria import CriteriaSet
from service.domain.record import Moment
from service.domain.standing import History, Standing, standing, supported_stage, withdrawn_because
from service.domain.words import WITHDRAWAL_WORDS
from tests.domain.small_record import (
    EPISODE,
    LEFT,
    QUIET,
    RIGHT,
    Draft,
    assessment,
    baseline,
    confirmation,
    event,
    exception,
    follow_up,
    measured,
    moment,
    numbered,
    resolution,
    session,
    told,
    verdict_of,
    void,
)
from tests.domain.small_set import GATE, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 21}
SPRINT = {"test": "sprint", "metric": "percent_of_baseline", "at_least": "90 %"}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "5 cm", "within_days": 21}
WALK = {"sessions": ["walk"], "take": "latest", "metric": "worst_pain", "at_most": 2, "within_days": 21}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 21}

HOPS = small_set({"hop": HOP}, not_today=[])
DAY = "2026-11-20"


def hopped(value: Any = 120, **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, value), **changes)


def decided(
    before: Sequence[Draft], criteria: CriteriaSet = HOPS, *, stage: str = GATE, at: str | None = None, ref: str = "D1"
) -> Draft:
    """Return the decision as posted with the last entry before it, or of what is stored on a date."""
    on = at or before[-1].on
    verdict = verdict_of(criteria, *before, stage=stage, at=at)
    return Draft("decision", on, "23:59" if at else before[-1].at, {"verdict": verdict, "advice": {}}, ref)


def history(drafts: Sequence[Draft], today: str, *criteria: CriteriaSet) -> History:
    known = {one.digest: one for one in criteria or (HOPS,)}
    return History(numbered(drafts), known.__getitem__, Moment(moment(today, "23:59"), date.fromisoformat(today)))


def standing_of(
    before: Sequence[Draft],
    *after: Draft,
    today: str = DAY,
    criteria: CriteriaSet = HOPS,
    stage: str = GATE,
    at: str | None = None,
) -> Standing:
    """Return what has become of a decision made between the entries before it and those after."""
    drafts = [*before, decided(before, criteria, stage=stage, at=at), *after]
    found = history(drafts, today, criteria)
    return standing(numbered(drafts)[len(before)], found)


def state_of(before: Sequence[Draft], *after: Draft, **more: Any) -> str:
    return standing_of(before, *after, **more).state


# Standing and expired


@pytest.mark.parametrize(
    ("today", "state"), [("2026-11-20", "standing"), ("2026-11-27", "standing"), ("2026-11-28", "expired")]
)
def test_a_pass_stands_for_its_days(today: str, state: str) -> None:
    assert standing_of([hopped()], today=today) == Standing(state, date(2026, 11, 27))


def test_the_days_are_counted_from_the_judged_occasion_however_the_decision_was_made() -> None:
    assert standing_of([hopped()], at="2026-11-25", today="2026-11-25").until == date(2026, 11, 27)


def test_a_hold_never_expires() -> None:
    assert standing_of([hopped(90)], today="2027-11-20") == Standing("standing", None)


@pytest.mark.parametrize(
    ("until", "stands_until"),
    [("2026-11-23", date(2026, 11, 23)), ("2026-12-24", date(2026, 11, 27))],
    ids=["the sooner", "the later"],
)
def test_a_pass_that_needed_an_exception_stands_as_long_as_both(until: str, stands_until: date) -> None:
    assert standing_of([exception("hop", until), hopped(90)]).until == stands_until


@pytest.mark.parametrize(("value", "state"), [(90, "withdrawn"), (120, "standing")], ids=["needed", "not needed"])
def test_a_pass_goes_with_the_exception_that_it_needed(value: int, state: str) -> None:
    told_late = event("re_injury", "2026-11-15")
    assert state_of([exception("hop", "2026-12-01"), hopped(value)], told_late) == state


def test_an_exception_that_was_not_needed_ends_nothing() -> None:
    assert standing_of([exception("hop", "2026-11-23"), hopped()]).until == date(2026, 11, 27)


def test_an_exception_of_another_stage_ends_nothing() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: ["hop"], "later": ["hop"]}, not_today=[])
    entries = [exception("hop", "2026-11-23", stage="later"), exception("hop", "2026-11-25"), hopped(90)]
    assert standing_of(entries, criteria=criteria).until == date(2026, 11, 25)


def test_an_exception_that_had_run_out_before_is_not_the_one_needed() -> None:
    entries = [exception("hop", "2026-11-10"), exception("hop", "2026-12-01"), hopped(90)]
    assert standing_of(entries) == Standing("standing", date(2026, 11, 27))


def test_of_two_exceptions_of_one_criterion_the_longer_serves() -> None:
    entries = [exception("hop", "2026-11-23"), exception("hop", "2026-11-25"), hopped(90)]
    assert standing_of(entries).until == date(2026, 11, 25)


def test_of_two_criteria_that_needed_exceptions_the_first_to_end_counts() -> None:
    criteria = small_set({"hop": HOP, "lunge": LUNGE}, not_today=[])
    entries = [exception("hop", "2026-11-25"), exception("lunge", "2026-11-23"), hopped(90)]
    assert standing_of(entries, criteria=criteria).until == date(2026, 11, 23)


def test_a_pass_without_any_assessment_is_counted_from_its_own_date() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: [], "later": ["hop"]}, referral=[], not_today=[])
    entries = [hopped(ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19"), void("first", "2026-11-19")]
    assert standing_of(entries, criteria=criteria, at=DAY).until == date(2026, 11, 27)


# Void and superseded


def test_a_setback_withdraws_a_decision_that_had_no_occasion() -> None:
    entries = [hopped(ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19"), void("first", "2026-11-19")]
    setback = event("setback", "2026-11-21")

    assert state_of(entries, setback, at="2026-11-20", today="2026-11-21") == "withdrawn"


def test_a_decision_of_an_episode_of_which_nothing_counts_any_more_is_withdrawn() -> None:
    entries = [hopped(ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19"), void("first", "2026-11-19")]
    assert state_of(entries, at=DAY) == "standing"
    assert state_of(entries, void("e2"), at=DAY) == "withdrawn"


def test_a_void_decision_is_void() -> None:
    assert state_of([hopped()], void("D1")) == "void"


def test_the_void_of_the_void_lets_it_stand() -> None:
    assert state_of([hopped()], void("D1", ref="mistake"), void("mistake")) == "standing"


def test_a_later_decision_of_the_stage_supersedes() -> None:
    again = hopped(on="2026-11-21")
    second = decided([hopped(), decided([hopped()]), again], ref="D2")
    assert state_of([hopped()], again, second, today="2026-11-21") == "superseded"


def test_a_later_decision_of_the_same_moment_supersedes() -> None:
    before = [hopped(ref="first", on="2026-11-19"), follow_up("first", on=DAY)]
    assert state_of(before, decided(before, ref="D2")) == "superseded"


def test_a_later_entry_about_an_earlier_moment_does_not_supersede() -> None:
    early = hopped(on="2026-11-18")
    second = decided([hopped(), decided([hopped()]), early], ref="D2")
    assert state_of([hopped()], early, second) != "superseded"
    assert state_of([hopped(90)], early, second) == "standing"


@pytest.mark.parametrize(
    ("more", "state"),
    [
        ([], "superseded"),
        ([void("again")], "standing"),
        ([hopped(ref="corrected", on="2026-11-21", supersedes="again")], "superseded"),
        ([hopped(ref="corrected", on="2026-11-21", supersedes="again"), void("corrected")], "standing"),
    ],
    ids=["its battery counts", "void too", "corrected", "the correction is void"],
)
def test_a_void_decision_supersedes_while_its_battery_counts(more: list[Draft], state: str) -> None:
    short = hopped(90, ref="again", on="2026-11-21")
    hold = decided([hopped(), decided([hopped()]), short], ref="D2")
    assert state_of([hopped()], short, hold, void("D2", "2026-11-21"), *more, today="2026-11-21") == state


def test_a_void_decision_on_what_is_stored_goes_on_to_supersede() -> None:
    second = decided([hopped(), decided([hopped()])], at="2026-11-21", ref="D2")
    assert state_of([hopped()], second, void("D2", "2026-11-21"), today="2026-11-21") == "superseded"


def test_a_decision_of_another_stage_does_not_supersede() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: ["hop"], "later": ["hop"]}, not_today=[])
    second = decided([hopped()], criteria, stage="later", ref="D2")
    assert state_of([hopped()], second, criteria=criteria) == "standing"


def test_a_decision_of_another_episode_does_not_supersede() -> None:
    second = decided([hopped()], ref="D2")._replace(episode="E2")
    assert state_of([hopped()], second) == "standing"


def test_void_comes_before_superseded_and_superseded_before_withdrawn() -> None:
    second = decided([hopped()], ref="D2")
    setback = event("setback", DAY)
    assert state_of([hopped()], second, setback, void("D1")) == "void"
    assert state_of([hopped()], second, setback) == "superseded"


# Withdrawn because of what it used


@pytest.mark.parametrize(
    "before",
    [
        [hopped(ref="used")],
        [hopped(ref="used", on="2026-11-18"), assessment()],
        [hopped(ref="other", on="2026-11-18", occasion="x"), assessment(ref="used")],
        [assessment(ref="used", on="2026-11-18"), hopped(referral=None)],
    ],
    ids=["the judged battery", "a carried measurement", "the judged occasion", "the referral screen"],
)
def test_a_void_battery_that_it_used_withdraws_it(before: list[Draft]) -> None:
    assert state_of(before) == "standing"
    assert state_of(before, void("used")) == "withdrawn"


def test_a_battery_of_which_it_used_nothing_may_be_voided() -> None:
    unused = assessment(measured("lunge", LEFT, 9, 9, 9), ref="unused", on="2026-11-18", referral=None)
    assert state_of([unused, hopped()], void("unused")) == "standing"


def test_a_referral_screen_before_a_re_injury_was_not_used() -> None:
    before = [assessment(ref="old", on="2026-11-10"), event("re_injury", "2026-11-11"), hopped()]
    assert state_of(before, void("old")) == "standing"


def test_a_superseded_battery_that_it_used_withdraws_it() -> None:
    assert state_of([hopped(ref="used")], hopped(supersedes="used")) == "withdrawn"


def test_a_void_session_that_it_used_withdraws_it() -> None:
    criteria = small_set({"walk": WALK}, not_today=[])
    telling = assessment(
        ref="used", on="2026-11-18", referral=None, since_last=told(sessions=[session("walk", "2026-11-17")])
    )
    before = [assessment(on="2026-11-10"), telling, assessment()]
    assert state_of(before, criteria=criteria) == "standing"
    assert state_of(before, void("used"), criteria=criteria) == "withdrawn"


def test_a_void_baseline_that_it_used_withdraws_it() -> None:
    criteria = small_set({"sprint": SPRINT}, not_today=[])
    before = [baseline(measured("sprint", None, 9), ref="used"), assessment(measured("sprint", None, 9))]
    assert state_of(before, criteria=criteria) == "standing"
    assert state_of(before, void("used"), criteria=criteria) == "withdrawn"


def test_a_void_morning_that_it_used_withdraws_it() -> None:
    criteria = small_set({"morning": MORNING}, not_today=[])
    before = [
        hopped(ref="first", on="2026-11-18"),
        follow_up("first", on="2026-11-19")._replace(id="used"),
        assessment(),
    ]
    assert state_of(before, criteria=criteria) == "standing"
    assert state_of(before, void("used"), criteria=criteria) == "withdrawn"


@pytest.mark.parametrize(
    "used",
    [
        event("corrected", "2026-11-18", ref="used", other_side="healthy"),
        confirmation("first", "2026-11-18", ref="used"),
        exception("hop", "2026-12-01", ref="used"),
    ],
    ids=["correction", "confirmation", "exception"],
)
def test_a_void_entry_that_it_rests_on_withdraws_it(used: Draft) -> None:
    before = [assessment(ref="first", on="2026-11-18"), used, hopped()]
    assert state_of(before) == "standing"
    assert state_of(before, void("used")) == "withdrawn"


def test_a_void_resolution_that_it_rests_on_withdraws_it() -> None:
    raised = assessment(on="2026-11-17", referral={"numb": True, "growth_plate": False})
    before = [raised, resolution("numb", "ruled_out", "2026-11-18", ref="used"), hopped()]
    assert state_of(before) == "standing"
    assert state_of(before, void("used")) == "withdrawn"


def test_an_event_that_it_counted_and_that_is_void_withdraws_it() -> None:
    count = {"events": ["giving_way"], "metric": "count", "within_days": 7, "at_most": 1}
    criteria = small_set({"events": count}, not_today=[])
    before = [event("giving_way", "2026-11-18", ref="used"), assessment()]
    assert state_of(before, void("used"), criteria=criteria) == "withdrawn"


# Withdrawn because of what has come since


@pytest.mark.parametrize(
    "change",
    [event("corrected", DAY, involved_side=RIGHT), event("reclassified", DAY, condition="high_ankle_sprain")],
    ids=["corrected", "reclassified"],
)
def test_a_correction_of_the_episode_withdraws_it(change: Draft) -> None:
    assert state_of([hopped()], change) == "withdrawn"


def test_a_correction_that_is_void_withdraws_nothing() -> None:
    wrong = event("corrected", DAY, ref="wrong", involved_side=RIGHT)
    assert state_of([hopped()], wrong, void("wrong")) == "standing"


def test_a_correction_of_another_episode_withdraws_nothing() -> None:
    assert state_of([hopped()], event("corrected", DAY, episode="E2", involved_side=RIGHT)) == "standing"


def test_a_correction_that_a_late_battery_was_judged_with_withdraws_nothing() -> None:
    corrected = event("corrected", "2026-11-22", ref="C", other_side="symptomatic")
    before = [assessment(on="2026-11-18"), corrected, hopped()]
    assert state_of(before, today="2026-11-22") == "standing"
    assert state_of(before, void("C", "2026-11-22"), today="2026-11-22") == "withdrawn"


def test_a_finding_raised_since_withdraws_it() -> None:
    raised = assessment(on="2026-11-21", referral={"numb": True})
    assert state_of([hopped()], raised, today="2026-11-21") == "withdrawn"


def test_a_finding_raised_and_ruled_out_since_withdraws_nothing() -> None:
    raised = assessment(on="2026-11-21", referral={"numb": True})
    ruled_out = resolution("numb", "ruled_out", "2026-11-21")
    assert state_of([hopped()], raised, ruled_out, today="2026-11-21") == "standing"


def test_a_finding_of_another_open_episode_raised_since_withdraws_it() -> None:
    raised = assessment(episode="E2", on="2026-11-21", referral={"numb": True}, facts={"onset_on": "2026-11-21"})
    assert state_of([hopped()], raised, today="2026-11-21") == "withdrawn"


@pytest.mark.parametrize(
    ("on", "state"), [("2026-11-17", "standing"), ("2026-11-18", "withdrawn"), ("2026-11-22", "withdrawn")]
)
def test_a_setback_on_or_after_the_earliest_evidence_used_withdraws_it(on: str, state: str) -> None:
    before = [hopped(on="2026-11-18"), assessment()]
    assert state_of(before, event("setback", on), today="2026-11-22") == state


def test_a_setback_on_the_date_of_a_session_that_it_used_withdraws_it() -> None:
    criteria = small_set({"walk": WALK}, not_today=[])
    before = [assessment(since_last=told(sessions=[session("walk", "2026-11-15")]))]
    found = [state_of(before, event("setback", on), criteria=criteria) for on in ("2026-11-14", "2026-11-15")]
    assert found == ["standing", "withdrawn"]


def test_a_setback_after_a_morning_that_it_used_withdraws_it() -> None:
    criteria = small_set({"morning": MORNING}, not_today=[])
    before = [hopped(ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19"), assessment()]
    found = [state_of(before, event("setback", on), criteria=criteria) for on in ("2026-11-17", "2026-11-18")]
    assert found == ["standing", "withdrawn"]


def test_a_setback_after_the_baseline_alone_withdraws_nothing() -> None:
    criteria = small_set({"sprint": SPRINT}, not_today=[])
    before = [baseline(measured("sprint", None, 9)), assessment(measured("sprint", None, 9))]
    assert state_of(before, event("setback", "2026-11-01"), criteria=criteria) == "standing"


def test_a_setback_between_an_event_that_it_counted_and_its_occasion_withdraws_nothing() -> None:
    count = {"events": ["giving_way"], "metric": "count", "within_days": 21, "at_most": 1}
    criteria = small_set({"events": count}, not_today=[])
    before = [event("giving_way", "2026-11-10"), assessment()]
    assert state_of(before, event("setback", "2026-11-15"), criteria=criteria) == "standing"


def test_a_setback_told_in_a_later_battery_withdraws_it() -> None:
    telling = assessment(on="2026-11-22", since_last=told(("giving_way", "2026-11-21")))
    assert state_of([hopped()], telling, today="2026-11-22") == "withdrawn"


def test_a_setback_that_it_saw_told_again_withdraws_nothing() -> None:
    same = told(("setback", DAY))
    again = assessment(on="2026-11-22", since_last=same)
    assert state_of([hopped(since_last=same)], again, today="2026-11-22") == "standing"


def test_giving_way_in_a_later_trial_withdraws_it() -> None:
    unstable = assessment(measured("hop", LEFT, 120, "giving_way"), on="2026-11-22")
    assert state_of([hopped()], unstable, today="2026-11-22") == "withdrawn"


def test_a_finding_confirmed_since_withdraws_it() -> None:
    raised = assessment(on="2026-11-21", referral={"numb": True})
    assert (
        state_of([hopped()], raised, resolution("numb", "confirmed", "2026-11-22"), today="2026-11-22") == "withdrawn"
    )


def test_a_setback_that_is_void_withdraws_nothing() -> None:
    assert state_of([hopped()], event("setback", DAY, ref="wrong"), void("wrong")) == "standing"


def test_a_setback_of_another_episode_withdraws_nothing() -> None:
    assert state_of([hopped()], event("setback", DAY, episode="E2")) == "standing"


INDEX = small_set({"hop": {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 21}})


def right_ankle(*, on: str = "2026-11-10", onset: str = "2026-11-09") -> Draft:
    return assessment(episode="E2", on=on, facts={"involved_side": RIGHT, "onset_on": onset})


@pytest.mark.parametrize(
    ("measured_on", "closed_on", "state"),
    [
        ("2026-11-12", "2026-11-15", "withdrawn"),
        ("2026-11-16", "2026-11-15", "standing"),
        ("2026-11-08", "2026-11-15", "standing"),
        ("2026-11-16", "2026-11-20", "withdrawn"),
    ],
    ids=["open when measured", "closed before", "not begun", "open when judged"],
)
def test_an_episode_of_the_other_side_learnt_of_since_withdraws_what_was_compared_with_it(
    measured_on: str, closed_on: str, state: str
) -> None:
    sides = assessment(measured("hop", LEFT, 120), measured("hop", RIGHT, 120), on=measured_on)
    closed = event("closed", closed_on, episode="E2", cause="well")
    before = [sides, assessment()]
    assert state_of(before, right_ankle(), closed, criteria=INDEX) == state
    because = because_of(before, right_ankle(), closed, criteria=INDEX)
    assert because == ("reference_lost" if state == "withdrawn" else None)


def test_an_episode_of_the_other_side_that_goes_on_after_its_closing_withdraws_it() -> None:
    sides = assessment(measured("hop", LEFT, 120), measured("hop", RIGHT, 120))
    closed = event("closed", "2026-11-15", episode="E2", cause="well")
    went_on = right_ankle(on="2026-11-21")
    assert state_of([right_ankle(), closed, sides], criteria=INDEX) == "standing"
    assert state_of([right_ankle(), closed, sides], went_on, criteria=INDEX, today="2026-11-21") == "withdrawn"


def test_an_episode_of_the_other_side_that_began_since_withdraws_nothing() -> None:
    sides = assessment(measured("hop", LEFT, 120), measured("hop", RIGHT, 120))
    began = right_ankle(on="2026-11-22", onset="2026-11-21")
    assert state_of([sides], began, criteria=INDEX, today="2026-11-22") == "standing"


def again(onset: str, **changes: Any) -> Draft:
    return assessment(episode="E2", on="2026-11-22", facts={"onset_on": onset}, **changes)


@pytest.mark.parametrize(("onset", "state"), [("2026-11-19", "standing"), ("2026-11-20", "withdrawn")])
def test_a_later_episode_of_the_side_withdraws_what_was_measured_by_its_onset(onset: str, state: str) -> None:
    assert state_of([hopped()], again(onset), today="2026-11-22") == state


@pytest.mark.parametrize("facts", [{"onset_on": "2026-11-20"}, {"involved_side": LEFT}])
def test_a_correction_that_makes_another_episode_a_re_injury_withdraws_it(facts: dict[str, str]) -> None:
    told_as = {"onset_on": "2026-09-01"} if "onset_on" in facts else {"involved_side": RIGHT, "onset_on": DAY}
    other = assessment(episode="E2", on=DAY, at="14:00", facts=told_as)
    corrected = event("corrected", "2026-11-22", episode="E2", **facts)
    assert state_of([other, hopped()]) == "standing"
    assert state_of([other, hopped()], corrected, today="2026-11-22") == "withdrawn"


def test_a_correction_of_another_fact_of_a_re_injury_that_it_saw_withdraws_nothing() -> None:
    other = assessment(episode="E2", on="2026-11-18", facts={"onset_on": DAY})
    corrected = event("corrected", "2026-11-22", episode="E2", other_side="symptomatic")
    assert state_of([other, hopped()], corrected, today="2026-11-22") == "standing"


def test_a_setback_yet_to_come_withdraws_nothing() -> None:
    assert state_of([hopped()], event("setback", "2026-11-22"), today="2026-11-21") == "standing"


def test_a_pass_recorded_after_the_setback_it_does_not_see_is_born_withdrawn() -> None:
    assert state_of([event("setback", "2026-11-22"), hopped()], today="2026-11-25") == "withdrawn"


def test_a_decision_on_stored_evidence_is_withdrawn_by_a_setback_of_its_occasion() -> None:
    assert state_of([hopped()], event("setback", DAY), at="2026-11-22", today="2026-11-22") == "withdrawn"


def test_a_stop_for_pain_that_holds_its_gate_now_withdraws_it() -> None:
    painful = assessment(measured("hop", LEFT, 120, pain=8), on="2026-11-22")
    assert state_of([hopped()], painful, today="2026-11-22") == "withdrawn"


def test_a_stop_for_pain_that_was_ended_since_withdraws_nothing() -> None:
    painful = assessment(measured("hop", LEFT, 120, pain=8), on="2026-11-22")
    assert state_of([hopped()], painful, hopped(on="2026-11-23"), today="2026-11-23") == "standing"


def test_a_stop_that_held_its_gate_already_withdraws_nothing() -> None:
    painful = assessment(measured("hop", LEFT, 120, pain=8), on="2026-11-19")
    assert state_of([painful, assessment()]) == "standing"


def test_a_bad_morning_since_withdraws_it() -> None:
    morning = follow_up("first", session_check={**QUIET, "pain_at_rest": 4})
    assert state_of([hopped(ref="first")], morning, today="2026-11-21") == "withdrawn"


def test_a_stop_for_pain_withdraws_a_pass_of_a_gate_without_loading_tests() -> None:
    criteria = small_set({"lunge": LUNGE}, not_today=[])
    lunged = assessment(measured("lunge", LEFT, 9, 9, 9))
    painful = assessment(measured("lunge", LEFT, 9, 9, 9, "pain"), on="2026-11-21")
    after = assessment(on="2026-11-22")
    assert state_of([lunged], painful, after, criteria=criteria, today="2026-11-22") == "withdrawn"


def test_a_stop_withdraws_no_pass_of_a_gate_that_reads_no_test() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: [], "later": ["hop"]}, not_today=[])
    painful = assessment(measured("hop", LEFT, 120, pain=8), on="2026-11-22")
    assert state_of([hopped()], painful, criteria=criteria, today="2026-11-22") == "standing"


def test_more_of_the_same_withdraws_nothing() -> None:
    assert state_of([hopped()], hopped(on="2026-11-22"), today="2026-11-22") == "standing"


@pytest.mark.parametrize(
    ("late", "state"),
    [
        (hopped(on="2026-11-19"), "withdrawn"),
        (hopped(at="15:00"), "withdrawn"),
        (hopped(at="15:01"), "standing"),
        (follow_up("first", on="2026-11-19"), "withdrawn"),
        (baseline(measured("hop", LEFT, 120), on="2026-11-19"), "standing"),
        (assessment(episode="E2", on="2026-11-19"), "standing"),
    ],
    ids=["earlier", "the same moment", "later", "a morning", "a baseline", "another episode"],
)
def test_a_battery_of_before_that_is_recorded_after_a_pass_withdraws_it(late: Draft, state: str) -> None:
    before = [hopped(ref="first", on="2026-11-18"), hopped()]
    assert state_of(before, late) == state
    assert because_of(before, late) == ("late_evidence" if state == "withdrawn" else None)


def test_late_evidence_that_is_void_withdraws_nothing() -> None:
    assert state_of([hopped()], hopped(ref="late", on="2026-11-19"), void("late")) == "standing"


def test_late_evidence_leaves_a_hold_standing() -> None:
    assert state_of([hopped(90)], hopped(on="2026-11-19")) == "standing"


def test_the_decision_asked_for_after_late_evidence_takes_the_place_of_the_pass() -> None:
    late = hopped(on="2026-11-19")
    asked = decided([hopped(), late], at=DAY, ref="D2")
    assert state_of([hopped()], late, asked) == "superseded"
    assert state_of([hopped(), late], at=DAY) == "standing"


COUNT = {"events": ["giving_way"], "metric": "count", "within_days": 21, "at_most": 1}
WHY = {
    "evidence_gone": ([hopped(ref="used")], [void("used")], HOPS),
    "facts_changed": ([hopped()], [event("corrected", DAY, involved_side=RIGHT)], HOPS),
    "finding_open": ([hopped()], [assessment(on=DAY, at="16:00", referral={"numb": True})], HOPS),
    "exception_ended": ([exception("hop", "2026-12-01"), hopped(90)], [event("re_injury", "2026-11-15")], HOPS),
    "set_back": ([hopped()], [event("setback", DAY)], HOPS),
    "event_counted": (
        [assessment()],
        [event("giving_way", "2026-11-10")],
        small_set({"events": COUNT}, not_today=[]),
    ),
    "stopped": ([hopped()], [assessment(measured("hop", LEFT, 120, pain=8), at="16:00")], HOPS),
    "late_evidence": ([hopped()], [hopped(on="2026-11-19")], HOPS),
}


def because_of(before: Sequence[Draft], *after: Draft, criteria: CriteriaSet = HOPS) -> str | None:
    drafts = [*before, decided(before, criteria), *after]
    return withdrawn_because(numbered(drafts)[len(before)], history(drafts, DAY, criteria))


@pytest.mark.parametrize("code", WHY)
def test_why_it_is_withdrawn_has_a_code_and_words(code: str) -> None:
    before, after, criteria = WHY[code]
    assert because_of(before, *after, criteria=criteria) == code
    assert WITHDRAWAL_WORDS[code]


def test_every_code_of_a_withdrawal_has_words() -> None:
    assert set(WITHDRAWAL_WORDS) == set(WITHDRAWAL_CODES) == {*WHY, "reference_lost"}


def test_what_stands_is_withdrawn_because_of_nothing() -> None:
    assert because_of([hopped()]) is None


def test_withdrawn_comes_before_expired() -> None:
    assert state_of([hopped()], event("setback", DAY), today="2027-01-01") == "withdrawn"


# The supported stage

STAGED = small_set(
    {"hop": HOP, "far": {**HOP, "at_least": "110 cm"}, "farther": {**HOP, "at_least": "120 cm"}},
    stages={"first": [], "second": ["hop"], "third": ["far"], "fourth": ["farther"]},
    not_today=[],
)


def supported(*drafts: Draft, today: str = DAY) -> str | None:
    return supported_stage(EPISODE, history(drafts, today, STAGED))


def decisions(*stages: str, hop: Any = 120, on: str = DAY) -> list[Draft]:
    """Return a battery and the decisions made of it, named by their stages."""
    battery = hopped(hop, on=on)
    return [battery, *(decided([battery], STAGED, stage=stage, ref=stage) for stage in stages)]


def test_the_highest_stage_with_a_pass_is_supported() -> None:
    assert supported(*decisions("second", "third", "first")) == "third"


def test_without_a_pass_none_is_supported() -> None:
    assert supported(*decisions("third", hop=90)) is None
    assert supported(hopped()) is None


def test_a_hold_at_a_later_stage_lowers_nothing() -> None:
    assert supported(*decisions("second", "fourth", hop=115)) == "second"


@pytest.mark.parametrize(("held", "stage"), [("second", "first"), ("third", "second"), ("fourth", "third")])
def test_a_later_hold_at_the_same_or_an_earlier_stage_lowers_it(held: str, stage: str) -> None:
    passes = decisions("first", "second", "third", on="2026-11-18")
    short = hopped(90)
    hold = decided([*passes, short], STAGED, stage=held, ref="hold")
    assert supported(*passes, short, hold) == stage


@pytest.mark.parametrize(("voided", "stage"), [(["hold"], "first"), (["hold", "short"], "second")])
def test_a_void_hold_lowers_it_while_its_battery_counts(voided: list[str], stage: str) -> None:
    passes = decisions("first", "second", on="2026-11-18")
    short = hopped(90, ref="short")
    hold = decided([*passes, short], STAGED, stage="second", ref="hold")
    assert supported(*passes, short, hold, *map(void, voided)) == stage


def test_a_hold_about_an_earlier_moment_lowers_nothing() -> None:
    passes = decisions("first", "second")
    short = hopped(90, on="2026-11-18")
    hold = decided([*passes, short], STAGED, stage="second", ref="hold")
    again = decided([*passes, short], STAGED, stage="second", at=DAY, ref="again")
    assert supported(*passes, short, hold, again) == "second"


def test_a_void_pass_supports_nothing() -> None:
    assert supported(*decisions("first", "second"), void("second")) == "first"


def test_a_withdrawn_pass_supports_nothing() -> None:
    assert supported(*decisions("first", "second"), event("setback", DAY)) is None


def test_expiry_does_not_lower_it() -> None:
    assert supported(*decisions("first", "second"), today="2027-06-01") == "second"


def test_a_pass_of_another_episode_supports_nothing_here() -> None:
    passes = decisions("second")
    elsewhere = [passes[0], passes[1]._replace(episode="E2")]
    assert supported(*elsewhere) is None


def test_a_superseded_pass_supports_as_the_later_one_does() -> None:
    before = decisions("second", on="2026-11-18")
    again = hopped()
    second = decided([*before, again], STAGED, stage="second", ref="again")
    assert supported(*before, again, second) == "second"
