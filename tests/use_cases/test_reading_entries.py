"""A file of entries against the catalogue and its own other entries, and the record made of it."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import pytest

from service.domain.errors import InvalidDocumentError
from service.domain.record import Entry
from service.use_cases.reading_entries import Clock, read_entries
from tests.builders import baseline as uninjured
from tests.builders import (
    battery,
    criteria,
    file,
    follow_up,
    loaded,
    measured,
    passing_measurements,
)

OTHER = {
    "ref": "KB-0417-1",
    "condition": "lateral_ankle_sprain",
    "involved_side": "right",
    "onset_on": "2026-11-01",
    "other_side": "healthy",
}
UNINJURED = uninjured("KB-0", "2026-08-01T10:00:00+02:00", [measured("t_test_time", None, "9.8")])


def entries_of(*entries: Mapping[str, Any], clock: Clock | None = None, **changes: Any) -> list[Entry]:
    return read_entries(loaded(file(*entries, **changes)), criteria(), clock or Clock())


def faults_of(*entries: Mapping[str, Any], clock: Clock | None = None) -> list[tuple[str, str]]:
    with pytest.raises(InvalidDocumentError) as refused:
        entries_of(*entries, clock=clock)
    return [(fault.pointer, fault.code) for fault in refused.value.errors]


def earlier(ref: str, **changes: Any) -> dict[str, Any]:
    """Return a battery of the tenth of November, of the other episode unless a test says otherwise."""
    told: dict[str, Any] = {"events": []}
    return battery(ref, at="2026-11-10T10:00:00+01:00", **{"episode": OTHER, "since_last": told, **changes})


def void(entry: Any, at: str = "2026-11-20T16:45:00+01:00") -> dict[str, Any]:
    return {"void": {"entry": entry, "at": at, "reason": "a slip"}}


# Entries


def test_entries_are_numbered_from_one_in_the_order_of_the_file() -> None:
    found = entries_of(battery(), follow_up())
    assert [(one.sequence, one.id, one.kind) for one in found] == [(1, "1", "battery"), (2, "2", "battery")]


def test_a_name_in_the_file_becomes_the_id_of_the_entry() -> None:
    found = entries_of(battery("KB-1"), follow_up("KB-1"), void("KB-1-morning"))
    assert (found[1].document["follows"], found[2].document["entry"]) == ("1", "2")


def test_an_entry_may_be_named_by_its_position() -> None:
    assert entries_of(battery(), void(1))[1].document["entry"] == "1"


def test_a_baseline_belongs_to_no_episode() -> None:
    [first, _] = entries_of(UNINJURED, battery())
    assert first.episode is None
    assert "episode" not in first.document


def test_the_facts_of_the_episode_are_copied_into_the_battery() -> None:
    assert entries_of(battery())[0].document["episode"]["involved_side"] == "left"


def test_the_facts_of_the_athlete_are_copied_into_the_battery() -> None:
    found = entries_of(battery(), athlete={"birth_year": 1999})
    assert found[0].document["athlete"] == {"birth_year": 1999}


def test_a_reason_is_no_part_of_the_document() -> None:
    assert "reason" not in entries_of(battery(), void(1))[1].document


def test_an_event_with_its_moment_keeps_it_in_utc() -> None:
    [_, one] = entries_of(battery(), {"event": {"kind": "setback", "at": "2026-11-20T18:00:00+01:00"}})
    assert (one.document["at"], one.occurred_at) == ("2026-11-20T17:00:00.000000Z",) * 2


def test_an_end_is_kept_as_a_date() -> None:
    exception = {
        "stage": "competition",
        "criterion": "agility",
        "at": "2026-11-20T18:00:00+01:00",
        "until": "2026-12-01",
        "reason": "no space",
    }
    assert entries_of(battery(), {"exception": exception})[1].document["until"] == "2026-12-01"


# Dates


def test_a_dated_entry_happens_at_the_start_of_its_day_where_the_last_battery_was() -> None:
    [_, one] = entries_of(battery(), {"event": {"kind": "setback", "on": "2026-11-20"}})
    assert one.occurred_at == "2026-11-19T23:00:00.000000Z"


def test_a_dated_entry_happens_at_the_start_of_its_day_in_the_zone_asked() -> None:
    clock = Clock(zone=timezone(timedelta(hours=-5)))
    [_, one] = entries_of(battery(), {"event": {"kind": "setback", "on": "2026-11-20"}}, clock=clock)
    assert one.occurred_at == "2026-11-20T05:00:00.000000Z"


def test_the_local_date_is_that_of_the_offset_sent() -> None:
    assert entries_of(battery(at="2026-11-20T00:30:00+01:00"))[0].occurred_on == date(2026, 11, 20)


def test_the_local_date_is_that_of_the_zone_asked() -> None:
    found = entries_of(battery(at="2026-11-20T00:30:00+01:00"), clock=Clock(zone=UTC))
    assert found[0].occurred_on == date(2026, 11, 19)


NOW = datetime(2026, 11, 20, 15, 30, tzinfo=UTC)  # the moment of the battery


@pytest.mark.parametrize(("minutes", "refused"), [(-5, False), (-6, True)])
def test_a_battery_may_lie_five_minutes_after_now(minutes: int, refused: bool) -> None:  # noqa: FBT001 - a case
    clock = Clock(now=NOW + timedelta(minutes=minutes))
    if refused:
        assert faults_of(battery(), clock=clock) == [("#/entries/0/battery/performed_at", "in_the_future")]
    else:
        assert entries_of(battery(), clock=clock)


@pytest.mark.parametrize(
    ("when", "where"), [({"on": "2026-11-21"}, "/on"), ({"at": "2026-11-20T17:00:00+01:00"}, "/at")]
)
def test_an_event_after_now_is_refused(when: dict[str, str], where: str) -> None:
    faults = faults_of(battery(), {"event": {"kind": "setback", **when}}, clock=Clock(now=NOW))
    assert faults == [(f"#/entries/1/event{where}", "in_the_future")]


def test_a_battery_before_the_onset_is_refused() -> None:
    assert faults_of(battery(at="2026-10-03T10:00:00+02:00", since_last={"events": []})) == [
        ("#/entries/0/battery/performed_at", "before_onset")
    ]


# Names


def test_what_supersedes_may_carry_the_same_ref() -> None:
    found = entries_of(battery("KB-1"), battery("KB-1", supersedes={"ref": "KB-1"}))
    assert found[1].document["supersedes"] == "1"


def test_a_third_revision_supersedes_the_second() -> None:
    again = battery("KB-1", supersedes={"ref": "KB-1"})
    assert entries_of(battery("KB-1"), again, again)[2].document["supersedes"] == "2"


def test_a_battery_may_be_superseded_by_its_position() -> None:
    assert entries_of(battery(), battery("KB-2", supersedes={"id": "1"}))[1].document["supersedes"] == "1"


def test_a_ref_means_the_battery_that_had_it_so_far() -> None:
    confirmation = {"confirmation": {"battery": "KB-1", "confirms": ["sides"], "at": "2026-11-20T16:45:00+01:00"}}
    found = entries_of(battery("KB-1"), follow_up("KB-1"), confirmation, battery("KB-1", supersedes={"ref": "KB-1"}))
    assert (found[1].document["follows"], found[2].document["battery"]) == ("1", "1")


@pytest.mark.parametrize(
    ("entry", "where"),
    [
        (battery("KB-2", supersedes={"ref": "KB-9"}), "battery/supersedes"),
        (follow_up("KB-9"), "battery/follows"),
        (void("KB-9"), "void/entry"),
        (void(2), "void/entry"),
        (
            {"confirmation": {"battery": "KB-9", "confirms": ["sides"], "at": "2026-11-20T16:45:00+01:00"}},
            "confirmation/battery",
        ),
    ],
    ids=["supersedes", "follows", "void of a ref", "void of itself", "confirmation"],
)
def test_a_name_of_nothing_before_is_refused(entry: dict[str, Any], where: str) -> None:
    assert ("#/entries/1/" + where, "unknown_name") in faults_of(battery(), entry)


def test_a_finding_that_nobody_raised_is_refused() -> None:
    resolution = {"finding_resolution": {"finding": "navicular_tender", "as": "ruled_out", "on": "2026-11-20"}}
    assert faults_of(battery(), resolution) == [("#/entries/1/finding_resolution/finding", "unknown_name")]


def test_a_finding_of_another_episode_is_not_raised_in_this_one() -> None:
    raised = earlier("KB-0", referral={"navicular_tender": True})
    said = {"finding": "navicular_tender", "as": "ruled_out", "on": "2026-11-20"}
    assert faults_of(raised, {"finding_resolution": said}, battery()) == [
        ("#/entries/1/finding_resolution/finding", "unknown_name")
    ]
    assert entries_of(raised, {"finding_resolution": {**said, "episode": OTHER["ref"]}}, battery())


@pytest.mark.parametrize(
    ("names", "where"),
    [
        ({"stage": "moon_walk", "criterion": "agility"}, "/stage"),
        ({"stage": "running", "criterion": "agility"}, "/criterion"),
    ],
)
def test_an_exception_names_a_stage_and_a_criterion_that_it_asks(names: dict[str, str], where: str) -> None:
    exception = {**names, "at": "2026-11-20T18:00:00+01:00", "until": "2026-12-01", "reason": "no space"}
    assert faults_of(battery(), {"exception": exception}) == [(f"#/entries/1/exception{where}", "unknown_name")]


# Episodes


def test_an_entry_may_bring_its_own_episode() -> None:
    found = entries_of(earlier("KB-0"), battery())
    assert found[0].episode != found[1].episode
    assert found[0].document["episode"]["involved_side"] == "right"


def test_an_episode_given_in_whole_once_may_be_named() -> None:
    told = earlier("KB-0")
    closed = {"event": {"kind": "closed", "cause": "recovered", "on": "2026-11-15", "episode": OTHER["ref"]}}
    found = entries_of(told, closed, battery())
    assert found[1].episode == found[0].episode


def test_an_episode_that_no_entry_gives_is_refused() -> None:
    setback = {"event": {"kind": "setback", "on": "2026-11-15", "episode": "KB-9"}}
    assert faults_of(battery(), setback) == [("#/entries/1/event/episode", "unknown_name")]


def test_an_episode_given_twice_with_other_facts_is_refused() -> None:
    first, second = (
        earlier(f"KB-{side}", occasion="day", measurements=[], episode={**OTHER, "involved_side": side})
        for side in ("left", "right")
    )
    assert faults_of(first, second, battery()) == [("#/entries/1/battery/episode", "conflicts")]


# Measured once


def test_a_test_measured_twice_in_an_occasion_is_refused() -> None:
    twice = [measured("t_test_time", None, "9.8")]
    stations = [battery(f"KB-{place}", occasion="day", measurements=twice) for place in (1, 2)]
    assert faults_of(*stations) == [("#/entries/1/battery/measurements/0", "duplicate")]


def test_a_test_measured_twice_is_told_where_it_stands_in_the_file() -> None:
    pain, speed = measured("pain_worst_24h", None, 1), measured("evertor_strength", "left", "180")
    first = battery("KB-1", occasion="day", measurements=[speed])
    assert faults_of(first, battery("KB-2", occasion="day", measurements=[pain, speed])) == [
        ("#/entries/1/battery/measurements/1", "duplicate")
    ]


def test_a_birth_after_a_battery_is_told_once_where_it_stands() -> None:
    twice = [battery(f"KB-{place}", at=f"2026-11-{place}T10:00:00+01:00") for place in (19, 20)]
    with pytest.raises(InvalidDocumentError) as refused:
        entries_of(*twice, athlete={"birth_year": 2030})
    assert [(fault.pointer, fault.code) for fault in refused.value.errors] == [
        ("#/athlete/birth_year", "in_the_future")
    ]
    of_battery = battery(athlete={"birth_year": 2026, "birth_month": 12})
    assert faults_of(of_battery) == [("#/entries/0/battery/athlete/birth_month", "in_the_future")]
    assert entries_of(battery(athlete={"birth_year": 2026, "birth_month": 11}))


def test_a_test_measured_twice_on_one_day_in_two_occasions_is_accepted() -> None:
    assert entries_of(battery("KB-1"), battery("KB-2", at="2026-11-20T18:00:00+01:00"))


def test_baselines_may_be_taken_twice_on_one_day() -> None:
    assert entries_of(
        UNINJURED,
        {"battery": {**UNINJURED["battery"], "ref": "KB-00", "performed_at": "2026-08-01T11:00:00+02:00"}},
        battery(),
    )


def test_what_a_superseding_battery_measures_again_was_measured_once() -> None:
    again = battery("KB-2", occasion="day", supersedes={"ref": "KB-1"})
    assert entries_of(battery("KB-1", occasion="day"), again)


def test_a_voided_battery_does_not_stand_in_the_way_of_the_one_posted_anew() -> None:
    assert entries_of(battery("KB-1", occasion="day"), void("KB-1"), battery("KB-2", occasion="day"))


def test_a_voided_battery_does_not_stand_in_the_way_of_the_same_moment() -> None:
    assert entries_of(battery("KB-1"), void("KB-1"), battery("KB-2"))


def test_two_visits_at_one_moment_are_refused() -> None:
    assert faults_of(battery("KB-1"), battery("KB-2")) == [("#/entries/1/battery/performed_at", "conflicts")]


def test_two_stations_at_one_moment_are_accepted() -> None:
    some, rest = passing_measurements()[:4], passing_measurements()[4:]
    stations = [battery(f"KB-{len(part)}", occasion="day", measurements=part) for part in (some, rest)]
    assert entries_of(*stations)


def test_a_superseded_battery_does_not_stand_in_the_way_of_a_station() -> None:
    some, rest = passing_measurements()[:4], passing_measurements()[4:]
    assert entries_of(
        battery("KB-1", occasion="day"),
        battery("KB-2", occasion="day", measurements=some, supersedes={"ref": "KB-1"}),
        battery("KB-3", occasion="day", measurements=rest),
    )


# Follow-ups


@pytest.mark.parametrize(("day", "refused"), [(20, True), (21, False), (22, False), (23, True)])
def test_a_follow_up_comes_within_its_days(day: int, refused: bool) -> None:  # noqa: FBT001 - a case, no switch
    late = follow_up(at=f"2026-11-{day}T20:00:00+01:00")
    if refused:
        assert faults_of(battery(), late) == [("#/entries/1/battery/performed_at", "out_of_range")]
    else:
        assert entries_of(battery(), late)


def test_a_follow_up_of_a_void_battery_is_refused() -> None:
    assert faults_of(battery("KB-1"), void("KB-1"), follow_up("KB-1")) == [
        ("#/entries/2/battery/follows", "unknown_name")
    ]


def test_a_follow_up_of_a_superseded_battery_means_the_one_in_its_place() -> None:
    in_its_place = battery("KB-2", supersedes={"ref": "KB-1"})
    assert entries_of(battery("KB-1"), in_its_place, follow_up("KB-1"))


def test_a_follow_up_follows_an_assessment() -> None:
    after_baseline = follow_up("KB-0", at="2026-11-20T08:00:00+01:00")
    early = {"battery": {**UNINJURED["battery"], "performed_at": "2026-11-19T08:00:00+01:00"}}
    assert ("#/entries/1/battery/performed_at", "out_of_range") in faults_of(early, after_baseline, battery())


# All at once


def test_all_faults_are_told_at_once() -> None:
    wrong = battery(
        referral={"big_toe_blue": False},
        measurements=[measured("side_hop_time", "left", "9.9", unit="kg"), measured("moon_walk", "left", 1)],
    )
    assert faults_of(wrong, void("KB-9")) == [
        ("#/entries/0/battery/referral/big_toe_blue", "unknown_name"),
        ("#/entries/0/battery/measurements/0/unit", "wrong_unit"),
        ("#/entries/0/battery/measurements/1/test", "unknown_name"),
        ("#/entries/1/void/entry", "unknown_name"),
    ]
