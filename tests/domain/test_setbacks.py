"""What each kind of setback cancels; findings and how they are resolved."""

from typing import Any

import pytest

from tests.domain.small_record import (
    LEFT,
    RIGHT,
    TODAY,
    Draft,
    assessment,
    code_of,
    event,
    evidence,
    follow_up,
    holds_on,
    measured,
    not_measured,
    resolution,
    told,
    void,
)
from tests.domain.small_set import small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 21}
KINDS = ("giving_way", "setback", "re_injury")


def hopped(on: str = TODAY, **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, 120), on=on, **changes)


# Dated events


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("on", "code"), [("2026-11-17", "before_setback"), ("2026-11-18", "met")])
def test_a_dated_event_cancels_what_was_measured_up_to_its_date(kind: str, on: str, code: str) -> None:
    assert code_of(HOP, hopped(on), event(kind, "2026-11-17"), assessment()) == code


@pytest.mark.parametrize(("at", "code"), [("14:59", "met"), ("15:00", "before_setback"), ("15:01", "before_setback")])
def test_an_event_with_its_moment_cancels_what_was_measured_before_it(at: str, code: str) -> None:
    assert code_of(HOP, hopped(), event("setback", TODAY, at=at), at=TODAY) == code


def test_an_occasion_with_one_battery_before_the_moment_is_cancelled_whole() -> None:
    stations = assessment(occasion="day", at="09:00"), hopped(occasion="day", at="16:00")
    assert code_of(HOP, *stations, event("setback", TODAY, at="12:00"), at=TODAY) == "before_setback"


def test_an_event_dated_after_the_moment_judged_cancels_nothing() -> None:
    assert code_of(HOP, hopped("2026-11-18"), event("setback", TODAY), at="2026-11-19") == "met"


def test_an_event_of_another_episode_cancels_nothing() -> None:
    assert code_of(HOP, hopped(), event("setback", TODAY, episode="E2"), at=TODAY) == "met"


@pytest.mark.parametrize("kind", ["closed"])
def test_closing_an_episode_is_no_setback(kind: str) -> None:
    assert code_of(HOP, hopped(), event(kind, TODAY, cause="recovered"), at=TODAY) == "met"


# Told in an assessment


def test_what_an_assessment_tells_lies_before_its_own_measurements() -> None:
    assert code_of(HOP, hopped(since_last=told(("giving_way", TODAY)))) == "met"


def test_what_an_assessment_tells_cancels_what_was_measured_before() -> None:
    telling = assessment(since_last=told(("giving_way", "2026-11-18")))
    assert code_of(HOP, hopped("2026-11-18"), telling) == "before_setback"


def test_what_an_assessment_tells_leaves_what_was_measured_after_it() -> None:
    telling = assessment(since_last=told(("giving_way", "2026-11-17")))
    assert code_of(HOP, hopped("2026-11-18"), telling) == "met"


def test_an_earlier_occasion_of_the_same_date_lies_before_what_a_later_one_tells() -> None:
    entries = hopped(at="09:00"), assessment(at="16:00", since_last=told(("setback", TODAY)))
    assert code_of({**HOP, "within_days": 1}, *entries) == "before_setback"


def test_what_one_station_tells_lies_before_the_whole_occasion() -> None:
    stations = (
        hopped(occasion="day", at="09:00"),
        assessment(occasion="day", at="16:00", since_last=told(("setback", TODAY))),
    )
    assert code_of(HOP, *stations) == "met"


def test_told_again_it_is_the_setback_told_first() -> None:
    same = told(("setback", "2026-11-18"))
    entries = hopped("2026-11-18", since_last=same), assessment(since_last=same)
    assert code_of(HOP, *entries) == "met"


def test_told_first_later_and_then_in_a_late_entry_it_lies_before_the_late_one() -> None:
    same = told(("setback", "2026-11-17"))
    entries = assessment(on="2026-11-19", since_last=same), hopped("2026-11-18", since_last=same)
    assert code_of(HOP, *entries, assessment()) == "met"


# Told by a follow-up


def test_what_a_follow_up_tells_lies_after_the_measurements_of_its_date() -> None:
    entries = hopped(ref="first"), follow_up("first", since_last=told(("giving_way", TODAY)))
    assert code_of(HOP, *entries) == "before_setback"


def test_what_a_follow_up_tells_does_not_answer_for_the_occasion() -> None:
    criteria = small_set({"asked": HOP})
    entries = hopped(ref="first", since_last=None), follow_up("first", since_last=told())
    assert holds_on(criteria, *entries) == [["not_assessed", "unanswered", "since_last"]]


# Giving way in a trial


def test_giving_way_in_a_trial_cancels_its_own_occasion_once_another_is_judged() -> None:
    unstable = assessment(measured("hop", LEFT, 120), measured("side_hop", LEFT, 9, 9, "giving_way"), on="2026-11-18")
    assert code_of(HOP, unstable) == "met"
    assert code_of(HOP, unstable, assessment()) == "before_setback"


def test_giving_way_in_a_trial_cancels_every_occasion_begun_before_it() -> None:
    unstable = assessment(measured("side_hop", LEFT, "giving_way"), on="2026-11-18")
    assert code_of(HOP, hopped("2026-11-17"), unstable, assessment()) == "before_setback"


def test_giving_way_in_a_trial_leaves_later_occasions() -> None:
    unstable = assessment(measured("side_hop", LEFT, "giving_way"), on="2026-11-18")
    assert code_of(HOP, unstable, hopped("2026-11-19"), assessment()) == "met"


def test_unable_because_of_giving_way_is_giving_way() -> None:
    unstable = assessment(
        measured("hop", LEFT, 120), not_measured("side_hop", LEFT, "unable", "giving_way"), on="2026-11-18"
    )
    assert code_of(HOP, unstable, assessment()) == "before_setback"


def test_not_done_is_no_setback_whatever_its_cause() -> None:
    odd = assessment(
        measured("hop", LEFT, 120), not_measured("side_hop", LEFT, "not_done", "giving_way"), on="2026-11-18"
    )
    assert code_of(HOP, odd, assessment()) == "met"


def test_giving_way_of_the_other_side_is_no_setback() -> None:
    steady = assessment(measured("hop", LEFT, 120), measured("side_hop", RIGHT, "giving_way"), on="2026-11-18")
    assert code_of(HOP, steady, assessment()) == "met"


def test_giving_way_in_a_test_of_the_person_is_a_setback() -> None:
    unstable = assessment(measured("hop", LEFT, 120), measured("sprint", None, "giving_way"), on="2026-11-18")
    assert code_of(HOP, unstable, assessment()) == "before_setback"


def test_pain_in_a_trial_is_no_setback() -> None:
    painful = assessment(measured("hop", LEFT, 120), measured("side_hop", LEFT, "pain"), on="2026-11-18")
    assert code_of(HOP, painful, assessment()) == "met"


def test_giving_way_in_an_occasion_after_the_judged_one_is_a_setback() -> None:
    morning = hopped(occasion="morning", at="09:00")
    later = assessment(measured("side_hop", LEFT, "giving_way"), at="10:00")
    last_station = assessment(occasion="morning", at="16:00")
    assert code_of(HOP, morning, later, last_station) == "before_setback"


# Findings


def test_a_yes_opens_a_finding() -> None:
    [one] = evidence(assessment(ref="first", referral={"numb": True})).findings
    assert (one.question, one.raised_on.isoformat(), one.raised_by) == ("numb", TODAY, "first")


def test_a_later_no_never_closes_a_finding() -> None:
    entries = assessment(on="2026-11-18", referral={"numb": True}), assessment(referral={"numb": False})
    assert [one.question for one in evidence(*entries).findings] == ["numb"]


@pytest.mark.parametrize(("as_", "count"), [("ruled_out", 0), ("released", 0), ("confirmed", 1)])
def test_a_finding_is_closed_by_ruling_out_or_releasing(as_: str, count: int) -> None:
    found = evidence(assessment(referral={"numb": True}), resolution("numb", as_), at=TODAY)
    assert len(found.findings) == count


def test_a_yes_after_the_resolution_opens_it_again() -> None:
    entries = (
        assessment(on="2026-11-17", referral={"numb": True}),
        resolution("numb", "ruled_out", "2026-11-18"),
        assessment(referral={"numb": True}),
    )
    assert len(evidence(*entries).findings) == 1


def test_confirmed_after_released_opens_it_again() -> None:
    entries = (
        assessment(referral={"numb": True}),
        resolution("numb", "released"),
        resolution("numb", "confirmed"),
    )
    assert len(evidence(*entries, at=TODAY).findings) == 1


def test_the_void_of_a_resolution_opens_the_finding_again() -> None:
    entries = assessment(referral={"numb": True}), resolution("numb", "ruled_out", ref="mistake"), void("mistake")
    assert len(evidence(*entries, at=TODAY).findings) == 1


def test_a_finding_of_a_void_battery_is_gone() -> None:
    entries = assessment(on="2026-11-18", ref="mistake", referral={"numb": True}), void("mistake"), assessment()
    assert evidence(*entries).findings == []


@pytest.mark.parametrize("as_", ["ruled_out", "released"])
def test_a_resolution_of_what_was_never_raised_does_nothing(as_: str) -> None:
    assert evidence(assessment(), resolution("numb", as_), at=TODAY).findings == []


def test_what_a_person_confirmed_does_not_go_with_the_battery_that_told_it() -> None:
    found = evidence(assessment(), resolution("numb", "confirmed"), at=TODAY)

    assert [one.question for one in found.findings] == ["numb"]
    assert [one.kind for one in found.setbacks] == ["confirmed"]


@pytest.mark.parametrize(
    ("measured_on", "code"),
    [("2026-11-16", "before_setback"), ("2026-11-17", "before_setback"), ("2026-11-18", "met")],
)
def test_a_confirmed_finding_is_a_setback_from_the_date_it_was_raised(measured_on: str, code: str) -> None:
    raised = assessment(on="2026-11-17", referral={"numb": True})
    entries = raised, hopped(measured_on, at="16:00"), resolution("numb", "confirmed", "2026-11-19"), assessment()
    assert code_of(HOP, *entries) == code


@pytest.mark.parametrize("as_", ["ruled_out", "released"])
def test_a_finding_ruled_out_or_released_is_no_setback(as_: str) -> None:
    raised = hopped("2026-11-17", referral={"numb": True})
    assert code_of(HOP, raised, resolution("numb", as_, "2026-11-19"), assessment()) == "met"


def test_a_finding_of_another_open_episode_holds_too() -> None:
    other = assessment(episode="E2", on="2026-11-10", referral={"numb": True})
    assert [one.episode for one in evidence(other, assessment()).findings] == ["E2"]


def test_a_finding_of_a_closed_episode_does_not_hold_another() -> None:
    other = assessment(episode="E2", on="2026-11-10", referral={"numb": True})
    closed = event("closed", "2026-11-15", episode="E2", cause="recovered")
    assert evidence(other, closed, assessment()).findings == []


def test_a_finding_of_the_closed_episode_itself_holds() -> None:
    raised = assessment(on="2026-11-10", referral={"numb": True})
    closed = event("closed", "2026-11-15", cause="recovered")
    assert len(evidence(raised, closed, at=TODAY).findings) == 1


def test_a_finding_confirmed_in_another_episode_sets_this_one_not_back() -> None:
    other = assessment(episode="E2", on="2026-11-19", referral={"numb": True})
    entries = hopped("2026-11-18"), other, resolution("numb", "confirmed", episode="E2"), assessment()
    assert code_of(HOP, *entries) == "met"


def test_a_finding_raised_in_an_occasion_after_the_judged_one_holds() -> None:
    morning, last_station = (assessment(occasion="morning", at=at) for at in ("09:00", "16:00"))
    later = assessment(at="10:00", referral={"numb": True})
    assert [one.question for one in evidence(morning, later, last_station).findings] == ["numb"]


# A later episode


def injured_again(onset: str, side: str = LEFT, on: str = "2026-11-19", **changes: Any) -> Draft:
    return assessment(episode="E2", on=on, facts={"involved_side": side, "onset_on": onset}, **changes)


@pytest.mark.parametrize(
    ("onset", "code"),
    [("2026-11-17", "met"), ("2026-11-18", "before_setback"), ("2026-11", "before_setback")],
)
def test_a_later_episode_of_the_side_is_a_re_injury_on_its_onset(onset: str, code: str) -> None:
    assert code_of(HOP, hopped("2026-11-18"), injured_again(onset), assessment()) == code


@pytest.mark.parametrize(
    ("onset", "code"), [("2026-09-30", "met"), ("2026-10-01", "met"), ("2026-10-02", "before_setback")]
)
def test_an_episode_of_the_side_with_an_onset_as_early_is_none(onset: str, code: str) -> None:
    assert code_of(HOP, hopped("2026-10-02"), injured_again(onset), at="2026-10-20") == "met"
    found = code_of(HOP, hopped("2026-10-02"), injured_again(onset, on="2026-10-03"), at="2026-10-20")
    assert found == code


def test_two_episodes_told_by_the_same_month_began_together() -> None:
    first = hopped("2026-10-20", facts={"onset_on": "2026-10"})
    assert code_of(HOP, first, injured_again("2026-10", on="2026-10-20"), at="2026-10-21") == "met"


@pytest.mark.parametrize(
    ("side", "other", "code"),
    [(LEFT, RIGHT, "met"), (LEFT, "both", "before_setback"), ("both", LEFT, "before_setback")],
)
def test_only_an_episode_that_shares_a_side_is_a_re_injury(side: str, other: str, code: str) -> None:
    hops = [measured("hop", LEFT, 120), measured("hop", RIGHT, 120)]
    entries = assessment(hops, on="2026-11-18", facts={"involved_side": side}), injured_again("2026-11-18", other)
    assert code_of(HOP, *entries, assessment()) == code


def test_a_later_episode_makes_the_referral_screen_due_again() -> None:
    criteria = small_set({"hop": HOP}, not_today=[])
    entries = assessment(on="2026-11-18"), injured_again("2026-11-18"), assessment(referral=None)
    assert ["not_assessed", "unanswered", "numb"] in holds_on(criteria, *entries)


def test_a_later_episode_counts_among_the_events() -> None:
    count = {"events": ["re_injury"], "metric": "count", "within_days": 7, "at_most": 0}
    assert code_of(count, injured_again("2026-11-18"), hopped()) == "above"
