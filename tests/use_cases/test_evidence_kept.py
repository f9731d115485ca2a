"""No slip of the pen, and no order of entries, makes evidence disappear: each case here once gave a wrong pass."""

from collections.abc import Mapping
from typing import Any

import pytest

from service.domain.errors import InvalidDocumentError
from tests.builders import (
    EPISODE,
    baseline,
    battery,
    code_of,
    file,
    follow_up,
    judge_file,
    measured,
    passing_measurements,
)

GATE = "team_training"
OTHER = {**EPISODE, "ref": "E2", "involved_side": "right", "onset_on": "2026-10-30"}
TOLD = {"events": []}
YES = {"navicular_tender": True}


def fault_of(*entries: Mapping[str, Any], at: str | None = None) -> tuple[str, str]:
    """Return the place and the code of the one fault of a file."""
    with pytest.raises(InvalidDocumentError) as refused:
        judge_file(file(*entries), GATE, at)
    (fault,) = refused.value.errors
    return fault.pointer, fault.code


def visit(ref: str, at: str, **changes: Any) -> dict[str, Any]:
    """Return a battery that measures nothing."""
    return battery(ref, at, [], since_last=TOLD, **changes)


def held() -> dict[str, Any]:
    return visit("BAD", "2026-11-19T10:00:00+01:00", referral=YES)


@pytest.mark.parametrize(
    "wrong",
    [
        baseline("OOPS", "2026-09-01T10:00:00+02:00", [], supersedes={"ref": "BAD"}),
        visit("OOPS", "2026-11-19T11:00:00+01:00", supersedes={"ref": "BAD"}, episode=OTHER),
    ],
)
def test_a_battery_of_another_kind_or_episode_supersedes_nothing(wrong: dict[str, Any]) -> None:
    assert fault_of(held(), wrong, battery()) == ("#/entries/1/battery/supersedes", "conflicts")


def test_a_follow_up_can_not_take_the_place_of_an_assessment() -> None:
    morning = follow_up("OLD", "2026-11-19T08:00:00+01:00", supersedes={"ref": "BAD"})
    old = visit("OLD", "2026-11-18T10:00:00+01:00")

    assert fault_of(old, held(), morning, battery()) == ("#/entries/2/battery/supersedes", "conflicts")


def test_a_follow_up_belongs_to_the_episode_of_what_it_follows() -> None:
    morning = follow_up("KB-1", episode=OTHER)
    other = visit("KB-0", "2026-11-01T10:00:00+01:00", episode=OTHER)

    assert fault_of(other, battery(), morning, at="2026-11-21T10:00:00+01:00")[0] == "#/entries/2/battery/follows"


def test_a_follow_up_without_an_episode_has_that_of_what_it_follows() -> None:
    other = visit("KB-0", "2026-11-10T10:00:00+01:00", episode=OTHER)
    told = {"events": [{"kind": "giving_way", "on": "2026-11-11"}]}
    morning = follow_up("KB-0", "2026-11-11T08:00:00+01:00", since_last=told)

    verdict = judge_file(file(other, morning, battery()), "rebuild")

    assert verdict["outcome"] == "pass"


@pytest.mark.parametrize("is_late", [False, True])
def test_a_confirmed_finding_cancels_from_its_latest_telling_in_whatever_order_it_was_recorded(is_late: bool) -> None:  # noqa: FBT001
    older, newer = visit("A", "2026-11-19T10:00:00+01:00", referral=YES), battery(referral=YES)
    closing = [
        {"finding_resolution": {"finding": "navicular_tender", "as": word, "on": "2026-11-20"}}
        for word in ("confirmed", "released")
    ]
    entries = [newer, older] if is_late else [older, newer]

    verdict = judge_file(file(*entries, *closing), GATE, "2026-11-20T20:00:00+01:00")

    assert code_of(verdict, "side-hop-floor") == "before_setback"


@pytest.mark.parametrize("is_last", [False, True])
def test_a_void_made_later_takes_nothing_away_before(is_last: bool) -> None:  # noqa: FBT001
    void = {"void": {"entry": "BAD", "at": "2026-11-24T10:00:00+01:00"}}
    entries = [held(), battery(), void] if is_last else [held(), void, battery()]

    assert judge_file(file(*entries), GATE, "2026-11-21T10:00:00+01:00")["holds"] == [
        ["finding_open", "finding_open", "navicular_tender"]
    ]


def test_a_void_is_not_voided() -> None:
    voids = [{"void": {"entry": name, "at": "2026-11-19T12:00:00+01:00"}} for name in ("BAD", 2)]

    assert fault_of(held(), *voids, battery()) == ("#/entries/2/void/entry", "conflicts")


def test_an_episode_without_a_battery_is_refused() -> None:
    event = {"event": {"kind": "setback", "on": "2026-11-01", "episode": OTHER}}

    assert fault_of(event, battery()) == ("#/entries/0/event/episode", "missing")


@pytest.mark.parametrize(
    "later",
    [
        visit("KB-0b", "2026-11-10T10:00:00+01:00", episode=OTHER),
        {"event": {"kind": "re_injury", "on": "2026-11-10", "episode": "E2"}},
    ],
)
def test_an_episode_that_went_on_after_its_closing_is_open(later: dict[str, Any]) -> None:
    other = visit("KB-0", "2026-11-01T10:00:00+01:00", episode=OTHER)
    closed = {"event": {"kind": "closed", "cause": "recovered", "on": "2026-11-05", "episode": "E2"}}

    recovered, injured = file(other, closed, battery()), file(other, closed, later, battery())
    judged = [{row[0] for row in judge_file(found, GATE)["reasons"]} for found in (recovered, injured)]

    assert ["lunge-alone" in found for found in judged] == [False, True]


def test_times_whose_offsets_disagree_about_the_date_are_refused() -> None:
    first = battery("KB-1", "2026-11-21T00:10:00+01:00")
    later = battery("KB-2", "2026-11-20T23:40:00+00:00", passing_measurements())

    assert fault_of(first, later)[0] == "#/entries/1/battery/performed_at"


def test_a_follow_up_is_not_before_what_it_follows() -> None:
    early = follow_up("KB-1", "2026-11-21T00:10:00+14:00")

    with pytest.raises(InvalidDocumentError) as refused:
        judge_file(file(battery(), early), GATE)
    assert ("#/entries/1/battery/performed_at", "out_of_range") in [one[:2] for one in refused.value.errors]


def test_a_battery_may_state_the_facts_in_force_after_a_correction() -> None:
    corrected = {"event": {"kind": "corrected", "onset_on": "2026-10-02", "at": "2026-11-19T10:00:00+01:00"}}
    first = visit("A", "2026-11-18T10:00:00+01:00")

    stated = battery(episode={**EPISODE, "onset_on": "2026-10-02"})
    assert judge_file(file(first, corrected, stated), GATE)["outcome"] == "pass"
    assert fault_of(first, corrected, battery(episode=dict(EPISODE))) == ("#/entries/2/battery/episode", "conflicts")


@pytest.mark.parametrize("right", [measured("side_hop_time", "right", "9.1"), {"setup": {"support": "tape"}}])
def test_an_unusable_side_measured_badly_does_not_weigh_more_than_one_not_measured(right: dict[str, Any]) -> None:
    before = baseline("B", "2026-08-14T10:00:00+02:00", passing_measurements())
    kept = [one for one in passing_measurements() if (one["test"], one.get("side")) != ("side_hop_time", "right")]
    other = measured("side_hop_time", "right", "9.1", "8.9", "9.0") | right

    verdict = judge_file(
        file(before, battery(measurements=[*kept, other]), episode={"other_side": "previously_injured"}), GATE
    )

    assert code_of(verdict, "side-hop-floor") == "met"
