"""The record read for one episode at one moment: occasions, the judged one, voids, corrections, ages."""

from typing import Any

import pytest

from service.domain.fold import fold
from service.domain.record import Moment
from tests.domain.small_record import (
    LEFT,
    QUIET,
    RIGHT,
    TODAY,
    Draft,
    assessment,
    baseline,
    both,
    code_of,
    confirmation,
    event,
    evidence,
    exception,
    folded,
    follow_up,
    measured,
    moment,
    numbered,
    reason_of,
    resolution,
    session,
    told,
    void,
)

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
LATELY = {**HOP, "within_days": 7}
INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %"}


def hop(value: Any = 100, **changes: Any) -> dict[str, Any]:
    return measured("hop", LEFT, value, **changes)


# The judged occasion and today


def test_a_posted_assessment_is_judged_on_its_own_date() -> None:
    found = evidence(assessment(on="2026-11-18"))
    assert (found.today.isoformat(), found.posted, found.through) == ("2026-11-18", True, 1)


def test_stored_evidence_is_judged_on_the_date_of_the_moment() -> None:
    found = evidence(assessment(on="2026-11-18"), at="2026-11-25")
    assert found.judged is not None
    assert (found.today.isoformat(), found.judged.on.isoformat(), found.posted) == ("2026-11-25", "2026-11-18", False)


def test_stored_evidence_is_judged_on_the_latest_occasion() -> None:
    late_entry = assessment(hop(90), on="2026-11-18"), assessment(hop(120), on="2026-11-16")
    assert code_of(HOP, *late_entry, at="2026-11-19") == "below"


def test_a_posted_assessment_is_judged_though_a_later_occasion_is_stored() -> None:
    late_entry = assessment(hop(90), on="2026-11-18"), assessment(hop(120), on="2026-11-16")
    assert code_of(HOP, *late_entry) == "met"


def test_a_posted_follow_up_judges_the_occasion_that_it_follows_on_its_date() -> None:
    found = evidence(assessment(ref="first"), follow_up("first"))
    assert (found.today.isoformat(), found.as_of_on.isoformat()) == (TODAY, "2026-11-21")


def test_a_follow_up_of_an_occasion_that_is_not_the_latest_is_not_judged() -> None:
    entries = assessment(ref="first", on="2026-11-18"), assessment(on="2026-11-19")
    assert folded(*entries, follow_up("first", on="2026-11-20")) is None


def test_a_follow_up_of_a_battery_that_is_void_is_not_judged() -> None:
    assert folded(assessment(ref="first"), void("first"), follow_up("first")) is None


def test_a_follow_up_of_a_superseded_battery_means_the_one_in_its_place() -> None:
    entries = assessment(hop(), ref="first"), assessment(hop(), ref="second", supersedes="first")
    found = evidence(*entries, follow_up("first", session_check={**QUIET, "pain_at_rest": 4}))
    assert found.judged is not None
    assert found.judged.morning["pain_at_rest"] == [4]


def test_an_entry_that_is_no_battery_is_not_judged_as_posted() -> None:
    assert folded(assessment(), event("setback", TODAY, at="16:00")) is None


def test_a_battery_of_another_episode_is_not_judged_as_posted() -> None:
    assert folded(assessment(), assessment(episode="E2")) is None


def test_an_episode_without_a_battery_has_no_evidence() -> None:
    assert folded(event("setback", "2026-11-18"), at=TODAY) is None
    assert folded(event("corrected", "2026-11-18", other_side="healthy"), at=TODAY) is None


def test_without_any_assessment_every_test_is_missing() -> None:
    entries = assessment(hop(), ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19"), void("first")
    assert code_of(HOP, *entries, at=TODAY) == "missing_test"
    assert code_of({"question": "limp", "metric": "value", "is": False}, *entries, at=TODAY) == "missing_test"


def test_entries_after_through_are_not_read() -> None:
    record = numbered([assessment(hop(), on="2026-11-18"), assessment(hop(120), on="2026-11-19")])
    as_of = Moment(moment(TODAY, "12:00"), record[-1].occurred_on)
    found = fold(record, episode="E1", through=1, as_of=as_of, posted=False)
    assert found is not None
    assert [one.on.isoformat() for one in found.occasions] == ["2026-11-18"]


def test_entries_that_happen_after_the_moment_are_not_read() -> None:
    entries = assessment(hop(), on="2026-11-18"), assessment(hop(90), on="2026-11-20")
    assert code_of(LATELY, *entries, at="2026-11-19") == "met"


def test_a_late_entry_does_not_see_its_future() -> None:
    later = assessment(hop(90), on="2026-11-18")
    assert code_of(LATELY, later, assessment(on="2026-11-16")) == "missing_test"


def test_the_order_in_which_entries_are_given_does_not_matter() -> None:
    record = numbered([assessment(hop(), on="2026-11-18"), event("setback", "2026-11-18"), assessment(hop())])
    as_of = Moment(moment(TODAY, "23:59"), record[-1].occurred_on)
    found = [fold(one, episode="E1", through=3, as_of=as_of, posted=False) for one in (record, record[::-1])]
    assert [[one.cancelled for one in each.occasions] for each in found if each] == [[True, False]] * 2


# Occasions and stations


def test_batteries_of_one_name_and_date_are_one_occasion() -> None:
    stations = assessment(hop(), occasion="day"), assessment(measured("hop", RIGHT, 100), occasion="day", at="16:00")
    assert code_of(INDEX, *stations) == "met"


def test_one_name_on_two_dates_is_two_occasions() -> None:
    stations = (
        assessment(measured("hop", RIGHT, 100), occasion="day", on="2026-11-19"),
        assessment(hop(), occasion="day"),
    )
    assert code_of(INDEX, *stations) == "missing_reference"


def test_batteries_without_a_name_are_occasions_of_their_own() -> None:
    assert code_of(INDEX, assessment(measured("hop", RIGHT, 100)), assessment(hop(), at="16:00")) == "missing_reference"


def test_a_name_that_is_another_batterys_id_is_no_occasion_with_it() -> None:
    named = assessment(measured("hop", RIGHT, 100), occasion="second")
    assert code_of(INDEX, named, assessment(hop(), ref="second")) == "missing_reference"


def test_one_name_in_two_episodes_is_two_occasions() -> None:
    other = assessment(measured("hop", RIGHT, 100), occasion="day", episode="E2", facts={"involved_side": LEFT})
    assert code_of(INDEX, other, assessment(hop(), occasion="day")) == "missing_reference"


def test_the_setup_is_each_batterys_own() -> None:
    stations = (
        assessment(hop(), occasion="day", setup={"support": "tape"}),
        assessment(measured("hop", RIGHT, 100), occasion="day"),
    )
    assert code_of(INDEX, *stations) == "setup_differs"


def test_an_occasion_begins_with_its_first_battery() -> None:
    stations = assessment(occasion="day", at="16:00"), assessment(occasion="day", at="09:00")
    found = evidence(*stations, at=TODAY)
    assert found.judged is not None
    assert found.judged.first_at == moment(TODAY, "09:00")


def test_occasions_of_one_date_are_in_the_order_of_their_first_battery() -> None:
    assert code_of(HOP, assessment(hop(90), at="16:00"), assessment(hop(120), at="09:00"), at=TODAY) == "below"


def test_sides_are_confirmed_with_the_battery_or_later_and_not_before() -> None:
    unconfirmed = assessment(ref="first", confirmed=None)
    judged = [
        evidence(*entries, at=TODAY).judged
        for entries in (
            [assessment()],
            [unconfirmed],
            [unconfirmed, confirmation("first")],
            [unconfirmed, confirmation("first", ref="said"), void("said")],
        )
    ]
    assert [one.sides_confirmed for one in judged if one] == [True, False, True, False]


def test_a_station_added_after_the_confirmation_is_not_confirmed() -> None:
    first = assessment(ref="first", occasion="day", confirmed=None)
    entries = first, confirmation("first"), assessment(occasion="day", confirmed=None, at="16:00")
    found = evidence(*entries)
    assert found.judged is not None
    assert not found.judged.sides_confirmed


def test_a_superseding_battery_needs_its_own_confirmation() -> None:
    first = assessment(ref="first", confirmed=None)
    second = assessment(supersedes="first", confirmed=None)
    found = evidence(first, confirmation("first"), second)
    assert found.judged is not None
    assert not found.judged.sides_confirmed


def test_a_confirmation_of_a_battery_that_is_gone_confirms_nothing() -> None:
    entries = assessment(on="2026-11-19", confirmed=None), assessment(ref="gone"), void("gone"), confirmation("gone")
    found = evidence(*entries, at=TODAY)
    assert found.judged is not None
    assert not found.judged.sides_confirmed


# Voids and superseding batteries


def test_a_void_battery_does_not_count() -> None:
    assert code_of(LATELY, assessment(hop(), ref="wrong", on="2026-11-18"), void("wrong"), assessment()) == (
        "missing_test"
    )


def test_the_void_of_a_void_brings_the_battery_back() -> None:
    entries = assessment(hop(), ref="right", on="2026-11-18"), void("right", ref="mistake"), void("mistake")
    assert code_of(LATELY, *entries, assessment()) == "met"


def test_a_superseded_battery_does_not_count() -> None:
    entries = (
        assessment(hop(120), ref="first", on="2026-11-18"),
        assessment(hop(90), on="2026-11-18", supersedes="first"),
    )
    assert code_of(LATELY, *entries, assessment()) == "below"


def test_voiding_a_superseding_battery_brings_nothing_back() -> None:
    entries = (
        assessment(hop(120), ref="first", on="2026-11-18"),
        assessment(hop(90), ref="second", on="2026-11-18", supersedes="first"),
        void("second"),
    )
    assert code_of(LATELY, *entries, assessment()) == "missing_test"


def test_a_void_event_does_not_count() -> None:
    entries = assessment(hop(), on="2026-11-18"), event("setback", "2026-11-18", ref="mistake"), void("mistake")
    assert code_of(LATELY, *entries, assessment()) == "met"


def test_a_void_recorded_after_through_does_not_count() -> None:
    record = numbered([assessment(hop(), ref="first"), void("first")])
    as_of = Moment(moment(TODAY, "15:00"), record[0].occurred_on)
    assert fold(record, episode="E1", through=1, as_of=as_of, posted=True) is not None


# Facts


def test_a_correction_changes_the_side() -> None:
    corrected = assessment(measured("hop", RIGHT, 120)), event("corrected", TODAY, involved_side=RIGHT)
    assert code_of(HOP, *corrected, at=TODAY) == "met"


def test_the_last_recorded_correction_is_in_force() -> None:
    entries = (
        assessment(),
        event("corrected", "2026-11-19", other_side="symptomatic"),
        event("corrected", "2026-11-18", other_side="unknown"),
    )
    assert evidence(*entries, at=TODAY).facts.other_side == "unknown"


def test_a_correction_leaves_the_other_facts_in_place() -> None:
    facts = evidence(assessment(), event("corrected", TODAY, onset_on="2026-10-02"), at=TODAY).facts
    assert (facts.onset_on, facts.involved_side, facts.condition) == ("2026-10-02", LEFT, "lateral_ankle_sprain")


def test_a_reclassification_changes_the_condition() -> None:
    entries = assessment(), event("reclassified", TODAY, condition="high_ankle_sprain")
    assert evidence(*entries, at=TODAY).facts.condition == "high_ankle_sprain"


def test_what_is_stored_is_judged_at_a_moment_without_a_correction_after_it() -> None:
    entries = assessment(on="2026-11-18"), event("corrected", TODAY, other_side="symptomatic")
    assert evidence(*entries, at="2026-11-19").facts.other_side == "healthy"


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("corrected", {"involved_side": RIGHT}),
        ("corrected", {"other_side": "symptomatic"}),
        ("corrected", {"onset_on": "2026-10-02"}),
        ("reclassified", {"condition": "high_ankle_sprain"}),
    ],
)
def test_a_battery_posted_late_is_judged_with_the_facts_known_by_then(kind: str, facts: dict[str, str]) -> None:
    entries = assessment(on="2026-11-17"), event(kind, "2026-11-19", ref="C", **facts)
    late = evidence(*entries, assessment(on="2026-11-18"))
    [(name, value)] = facts.items()
    assert (getattr(late.facts, name), late.fact_entries) == (value, ("C",))


def test_a_battery_posted_late_knows_another_episode_by_the_facts_known_by_then() -> None:
    other = assessment(episode="E2", on="2026-11-10")
    corrected = event("corrected", "2026-11-19", episode="E2", involved_side=RIGHT)
    assert evidence(other, corrected, assessment(on="2026-11-18")).other_side_open


def test_a_void_correction_is_in_force_for_nothing() -> None:
    entries = assessment(on="2026-11-17"), event("corrected", "2026-11-18", ref="C", involved_side=RIGHT)
    assert evidence(*entries, void("C"), assessment()).facts.involved_side == LEFT


def test_the_facts_are_those_of_the_first_battery() -> None:
    entries = assessment(on="2026-11-18"), assessment(facts={"other_side": "symptomatic"})
    assert evidence(*entries).facts.other_side == "healthy"


def test_the_entries_that_a_decision_rests_on_are_listed() -> None:
    found = evidence(
        assessment(ref="first", referral={"numb": True}),
        event("corrected", "2026-11-19", ref="corrected", other_side="healthy"),
        event("setback", "2026-11-19"),
        resolution("numb", "ruled_out", ref="resolved"),
        confirmation("first", ref="confirmed"),
        exception("asked", "2026-12-01", ref="waived"),
        at=TODAY,
    )
    assert found.fact_entries == ("corrected",)
    assert found.resolution_entries == ("resolved",)
    assert found.confirmation_entries == ("confirmed",)
    assert [one.entry for one in found.waivers] == ["waived"]


# Ages


@pytest.mark.parametrize(
    ("born", "ages"),
    [
        ({"birth_year": 2000}, (25, 26)),
        ({"birth_year": 2000, "birth_month": 10}, (26, 26)),
        ({"birth_year": 2000, "birth_month": 11}, (25, 26)),
        ({"birth_year": 2000, "birth_month": 12}, (25, 25)),
        ({}, None),
    ],
    ids=["year only", "birthday over", "this month", "birthday to come", "nothing"],
)
def test_there_may_be_two_ages(born: dict[str, int], ages: tuple[int, int] | None) -> None:
    assert evidence(assessment(athlete=born)).ages == ages


def test_a_birth_year_of_any_battery_serves() -> None:
    entries = baseline(athlete={"birth_year": 2001, "birth_month": 1}), assessment(athlete={})
    assert evidence(*entries).ages == (25, 25)


def test_the_age_is_that_of_today() -> None:
    born = {"birth_year": 2000, "birth_month": 12}
    assert evidence(assessment(athlete=born), at="2027-01-02").ages == (26, 26)


# Sessions


def test_several_reports_of_one_session_are_laid_together() -> None:
    reports = [
        session("walk", "2026-11-18", minutes=20, worst_pain=3, next_morning_rise=None, medication="none"),
        session("walk", "2026-11-18", minutes=35, worst_pain=None, next_morning_rise=2, medication="opioid"),
    ]
    entries = (
        assessment(ref="first", on="2026-11-19", since_last=told(sessions=reports[:1])),
        assessment(ref="second", since_last=told(sessions=reports[1:])),
    )
    [one] = evidence(*entries).sessions
    assert (one.dose, one.worst_pain, one.next_morning_rise) == (35, 3, 2)
    assert (one.medication, one.batteries) == (("none", "opioid"), ("first", "second"))


def test_a_session_of_a_void_battery_does_not_count() -> None:
    entries = assessment(ref="wrong", since_last=told(sessions=[session("walk", "2026-11-18")])), void("wrong")
    assert evidence(*entries, assessment(at="16:00")).sessions == []


# Exceptions and the other side


def test_an_exception_of_another_episode_does_not_count() -> None:
    other = exception("asked", "2026-12-01")._replace(episode="E2")
    assert evidence(other, assessment()).waivers == []


NUMB = assessment(on="2026-11-05", referral={"numb": True})
SAME_LIMB = {
    "a setback": [event("setback", "2026-11-10")],
    "giving way": [event("giving_way", "2026-11-10")],
    "another fact": [event("corrected", "2026-11-10", other_side="symptomatic")],
    "a finding ruled out": [resolution("numb", "ruled_out", "2026-11-10")],
    "the other side": [assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT})],
    "a void re-injury": [event("re_injury", "2026-11-10", ref="wrong"), void("wrong", "2026-11-10")],
}
ANOTHER_LIMB = {
    "a re-injury": [event("re_injury", "2026-11-10")],
    "a re-injury before it": [event("re_injury", "2026-10-20")],
    "a re-injury told": [assessment(on="2026-11-10", since_last=told(("re_injury", "2026-11-09")))],
    "a new episode": [assessment(episode="E2", on="2026-11-10", facts={"onset_on": "2026-11-09"})],
    "a confirmed finding": [resolution("numb", "confirmed", "2026-11-10")],
    "a reclassification": [event("reclassified", "2026-11-10", condition="high_ankle_sprain")],
    "the other side after all": [event("corrected", "2026-11-10", involved_side=RIGHT)],
}


@pytest.mark.parametrize("since", SAME_LIMB.values(), ids=SAME_LIMB)
def test_an_exception_stands_while_it_is_the_same_limb(since: list[Draft]) -> None:
    found = evidence(NUMB, exception("asked", "2026-12-01", ref="waived"), *since, assessment())
    assert [one.entry for one in found.waivers] == ["waived"]


@pytest.mark.parametrize("since", ANOTHER_LIMB.values(), ids=ANOTHER_LIMB)
def test_an_exception_ends_with_what_makes_it_another_limb_and_may_be_given_again(since: list[Draft]) -> None:
    waived, again = [exception("asked", "2026-12-01", ref=ref) for ref in ("waived", "again")]
    assert evidence(NUMB, waived, *since, assessment()).waivers == []
    found = evidence(NUMB, waived, *since, again, assessment())
    assert [one.entry for one in found.waivers] == ["again"]


def test_an_open_episode_without_a_battery_involves_no_side() -> None:
    assert not evidence(event("setback", "2026-11-10", episode="E2"), assessment()).other_side_open


def test_an_open_episode_of_the_same_side_leaves_the_other_side_alone() -> None:
    assert not evidence(assessment(episode="E2", on="2026-11-10"), assessment()).other_side_open


def test_with_both_sides_involved_there_is_no_other_side() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT})
    assert not evidence(other, assessment(both("hop", 1, 1), facts={"involved_side": "both"})).other_side_open


def test_an_episode_whose_closing_is_void_is_open() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT})
    closed = event("closed", "2026-11-15", ref="closed", episode="E2", cause="recovered")
    assert evidence(other, closed, void("closed"), assessment()).other_side_open


def test_a_distance_is_read_as_it_was_sent() -> None:
    assert reason_of(HOP, assessment(hop("100.50"))).figure == reason_of(HOP, assessment(hop("100.5"))).figure
