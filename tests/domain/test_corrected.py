"""What a correction takes back of what holds is named beside the answer."""

from typing import Any

import pytest

from service.domain.corrected import corrected_away
from service.domain.explain import explain
from service.domain.judge import judge
from tests.domain.small_record import (
    LEFT,
    TODAY,
    Draft,
    assessment,
    evidence,
    follow_up,
    measured,
    not_measured,
    numbered,
    told,
)
from tests.domain.small_set import GATE, small_set

HOPS = small_set({"hop": {"test": "hop", "metric": "value", "at_least": "100 cm"}})


def taken_back(before: Draft, now: Draft, *, known: bool = True) -> list[str]:
    """Return what is named when a battery takes the place of another."""
    flags = corrected_away(numbered([before, now]), HOPS if known else None)
    assert {one["code"] for one in flags} <= {"corrected_away"}
    return [one["detail"].removeprefix("taken back by a correction: ") for one in flags]


def hopped(*values: Any, **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, *values, **changes))


YES = assessment(referral={"numb": True})


@pytest.mark.parametrize(
    ("before", "now", "named"),
    [
        (YES, assessment(), ['"Is the foot numb?" was answered yes']),
        (YES, assessment(referral=None), ['"Is the foot numb?" was answered yes']),
        (YES, YES, []),
        (assessment(since_last=told(("giving_way", TODAY))), assessment(), [f"giving way on {TODAY}"]),
        (assessment(since_last=told(("re_injury", TODAY))), assessment(since_last=None), [f"a re-injury on {TODAY}"]),
        (hopped(120, pain=8), hopped(120, pain=5), ["pain 8 in hop, left"]),
        (hopped(120, pain=8), hopped(120, pain=None), ["pain 8 in hop, left"]),
        (hopped(120, pain=8), hopped(120, pain=6), []),
        (hopped(120, pain=5), hopped(120, pain=0), []),
        (hopped(120, "pain", pain=None), hopped(120), ["pain ended hop, left"]),
        (hopped(120, "giving_way"), hopped(120), ["giving way in hop, left"]),
        (assessment(not_measured("hop", LEFT, "unable", "giving_way")), hopped(9), ["giving way in hop, left"]),
        (hopped(120, "giving_way"), assessment(), ["giving way in hop, left"]),
        (hopped(120, "balance", "extra_hop"), hopped(120, "balance"), ["failed landings in hop, left"]),
        (hopped(120, "balance"), hopped(120, "extra_hop"), []),
        (hopped(120, "technique"), hopped(120), []),
        (assessment(measured("sprint", None, 9, pain=9)), assessment(), ["pain 9 in sprint"]),
    ],
)
def test_what_a_correction_takes_back_of_what_holds_is_named(before: Draft, now: Draft, named: list[str]) -> None:
    assert taken_back(before, now) == named


def test_without_a_set_any_pain_is_named_and_names_are_those_that_were_sent() -> None:
    before = assessment(measured("side_hop", LEFT, 9, pain=1), referral={"growth_plate": True})
    assert taken_back(before, assessment(), known=False) == [
        '"growth plate" was answered yes',
        "pain 1 in side hop, left",
    ]


def flags(*drafts: Draft, at: str | None = None) -> list[str]:
    seen = evidence(*drafts, at=at)
    quality = explain(judge(seen, HOPS, GATE), seen, HOPS)["data_quality"]
    return [one["detail"] for one in quality if one["code"] == "corrected_away"]


@pytest.mark.parametrize("at", [None, TODAY])
def test_a_correction_by_several_steps_hides_nothing_from_a_decision(at: str | None) -> None:
    first = assessment(measured("hop", LEFT, 120, pain=8), ref="first", referral={"numb": True})
    second = assessment(measured("hop", LEFT, 120, pain=8), ref="second", supersedes="first")
    third = assessment(measured("hop", LEFT, 120), supersedes="second")
    assert len(flags(first, second, third, at=at)) == 2


def test_a_corrected_morning_is_looked_at_with_its_occasion() -> None:
    evening = assessment(ref="evening")
    bad = follow_up("evening", since_last=told(("setback", TODAY)))._replace(id="bad")
    [flag] = flags(evening, bad, follow_up("evening", supersedes="bad"))
    assert flag.endswith(f"a setback on {TODAY}")


def test_a_correction_of_another_occasion_is_named_where_that_is_judged() -> None:
    bad = assessment(referral={"numb": True}, on="2026-11-18", ref="bad")
    corrected = assessment(on="2026-11-18", supersedes="bad")
    assert flags(bad, corrected)
    assert flags(bad, corrected, assessment()) == []


def test_what_took_the_place_of_a_battery_of_a_later_day_is_not_compared_with_it() -> None:
    wrong_day = assessment(referral={"numb": True}, ref="wrong", on="2026-11-22")
    assert flags(wrong_day, assessment(supersedes="wrong"), at=TODAY) == []


def test_without_an_occasion_nothing_was_corrected() -> None:
    first, morning = assessment(ref="first", on="2026-11-18"), follow_up("first", on="2026-11-19")
    gone = Draft("void", "2026-11-19", "15:00", {"entry": "first"})
    assert evidence(first, morning, gone, at=TODAY).corrected == []
