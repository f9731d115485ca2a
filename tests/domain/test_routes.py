"""Routes: what is judged in place of a criterion without a reference, or without equipment."""

from typing import Any

import pytest

from service.domain.judge import Verdict
from tests.domain.small_record import (
    LEFT,
    RIGHT,
    Draft,
    assessment,
    baseline,
    both,
    event,
    measured,
    not_measured,
    reasons_in,
    verdict_of,
)
from tests.domain.small_set import small_set

ALONE = {"test": "hop", "metric": "value", "at_least": "100 cm", "within_days": 7}
INDEX = {"test": "hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 7}
TIMED = {"test": "side_hop", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 7}
STRENGTH = {"test": "strength", "metric": "limb_symmetry_index", "at_least": "90 %", "within_days": 7}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s"}
BEFORE = {"other_side": "previously_injured"}
BILATERAL = {"involved_side": "both"}

REFERENCE = small_set({"asked": {**INDEX, "without_reference": "alone"}, "alone": ALONE}, asks=["asked"])
EQUIPMENT = small_set({"asked": {**STRENGTH, "without_equipment": "alone"}, "alone": ALONE}, asks=["asked"])
CHAIN = small_set(
    {
        "asked": {**STRENGTH, "without_reference": "alone", "without_equipment": "hops"},
        "hops": INDEX,
        "alone": SPRINT,
    },
    asks=["asked"],
)

MET_BY_ROUTE = [
    ["asked", None, "met", "met", None, None, False],
    ["alone", "asked", "met", "met", "120", "1", False],
]


def rows(criteria: Any, *drafts: Draft) -> list[list[Any]]:
    verdict: Verdict = verdict_of(criteria, *drafts)
    found: list[list[Any]] = verdict["reasons"]
    return found


def led_to(criteria: Any, *drafts: Draft) -> list[str]:
    """Return which criteria were judged in place of the one asked."""
    return [row[0] for row in rows(criteria, *drafts) if row[1] == "asked"]


def no_equipment(test: str = "strength", *sides: str) -> list[dict[str, Any]]:
    return [not_measured(test, side, "not_done", "no_equipment") for side in sides or (LEFT,)]


# Without reference


def test_the_route_takes_the_place_of_a_criterion_whose_reference_is_missing() -> None:
    assert rows(REFERENCE, assessment(both("hop", 120, 120), facts=BEFORE)) == MET_BY_ROUTE


def test_the_criterion_asked_takes_the_code_of_the_route_without_its_figure() -> None:
    assert rows(REFERENCE, assessment(both("hop", 90, 90), facts=BEFORE)) == [
        ["asked", None, "not_met", "below", None, None, False],
        ["alone", "asked", "not_met", "below", "90", "1", False],
    ]


@pytest.mark.parametrize(
    ("other", "opens"),
    [
        (measured("hop", RIGHT, 120), True),
        (not_measured("hop", RIGHT, "unable", "could_not"), True),
        (not_measured("hop", RIGHT, "not_done", "time"), True),
        (not_measured("hop", RIGHT, "deferred", "not_safe_today"), False),
    ],
    ids=["measured", "unable", "not done", "deferred"],
)
def test_the_route_opens_where_the_unusable_side_was_sent(
    other: dict[str, Any],
    opens: bool,  # noqa: FBT001 - a case, no switch
) -> None:
    battery = assessment(measured("hop", LEFT, 120), other, facts=BEFORE)
    assert led_to(REFERENCE, battery) == (["alone"] if opens else [])


def test_leaving_the_unusable_side_out_opens_nothing() -> None:
    assert led_to(REFERENCE, assessment(measured("hop", LEFT, 120), facts=BEFORE)) == []


def test_leaving_a_healthy_side_out_opens_nothing() -> None:
    assert led_to(REFERENCE, assessment(measured("hop", LEFT, 120))) == []


def test_an_other_side_of_unknown_state_opens_nothing() -> None:
    assert led_to(REFERENCE, assessment(both("hop", 120, 120), facts={"other_side": "unknown"})) == []


def test_an_involved_side_that_was_not_measured_opens_nothing() -> None:
    battery = assessment(measured("hop", RIGHT, 120), no_equipment("hop"), facts=BEFORE)
    assert led_to(REFERENCE, battery) == []


def test_short_of_the_unusable_side_opens_nothing() -> None:
    assert led_to(REFERENCE, assessment(both("hop", 100, 120), facts=BEFORE)) == []


def test_a_baseline_keeps_the_route_shut() -> None:
    entries = baseline(measured("hop", LEFT, 120)), assessment(both("hop", 120, 120), facts=BEFORE)
    assert led_to(REFERENCE, *entries) == []


def test_with_both_sides_involved_the_other_side_is_not_asked_for() -> None:
    assert led_to(REFERENCE, assessment(both("hop", 120, 110), facts=BILATERAL)) == ["alone"]


def test_another_open_episode_of_the_other_side_opens_the_route() -> None:
    other = assessment(episode="E2", on="2026-11-10", facts={"involved_side": RIGHT})
    assert led_to(REFERENCE, other, assessment(both("hop", 120, 120))) == ["alone"]


def test_a_route_may_lead_to_a_group_whose_parts_follow() -> None:
    criteria = small_set(
        {
            "asked": {**INDEX, "without_reference": "both"},
            "both": {"all": ["alone", "sprint"]},
            "alone": ALONE,
            "sprint": SPRINT,
        },
        asks=["asked"],
    )
    battery = assessment(both("hop", 120, 120), measured("sprint", None, 9), facts=BEFORE)
    assert rows(criteria, battery) == [
        ["asked", None, "met", "met", None, None, False],
        ["both", "asked", "met", "met", "2", "2", False],
        ["alone", "both", "met", "met", "120", "1", False],
        ["sprint", "both", "met", "met", "9", "1", False],
    ]


def test_a_group_that_two_routes_lead_to_lists_its_parts_once() -> None:
    criteria = small_set(
        {
            "first": {**INDEX, "without_reference": "both"},
            "second": {**INDEX, "at_least": "80 %", "without_reference": "both"},
            "both": {"all": ["alone"]},
            "alone": ALONE,
        },
        asks=["first", "second"],
    )
    found = rows(criteria, assessment(both("hop", 120, 120), facts=BEFORE))
    assert [row[:2] for row in found] == [
        ["first", None],
        ["both", "first"],
        ["alone", "both"],
        ["second", None],
        ["both", "second"],
    ]


# Groups without reference

CHOICE = {"any": ["hops", "timed", "sprint"], "needed": 2, "without_reference": "alone"}
GROUP = small_set({"asked": CHOICE, "hops": INDEX, "timed": TIMED, "sprint": SPRINT, "alone": ALONE}, asks=["asked"])


def test_a_group_takes_its_route_where_it_would_be_met_if_each_such_part_were() -> None:
    battery = assessment(both("hop", 120, 120), measured("sprint", None, 9), facts=BEFORE)
    assert led_to(GROUP, battery) == ["alone"]


def test_the_parts_of_a_group_that_took_its_route_are_left_out() -> None:
    battery = assessment(both("hop", 120, 120), both("side_hop", [9, 9], [9, 9]), facts=BEFORE)
    assert rows(GROUP, battery) == MET_BY_ROUTE


def test_a_group_that_would_not_be_met_even_so_stays_as_it_is() -> None:
    battery = assessment(both("hop", 120, 120), measured("sprint", None, 11), facts=BEFORE)
    assert led_to(GROUP, battery) == ["hops", "timed", "sprint"]


def test_a_group_that_lacks_no_reference_stays_as_it_is() -> None:
    assert led_to(GROUP, assessment(measured("sprint", None, 9))) == ["hops", "timed", "sprint"]


def test_a_group_that_is_met_takes_no_route() -> None:
    battery = assessment(both("hop", 120, 120), measured("sprint", None, 9))
    assert led_to(GROUP, battery) == ["hops", "timed", "sprint"]


# Without equipment


def test_the_route_takes_the_place_of_a_test_without_equipment() -> None:
    assert rows(EQUIPMENT, assessment(no_equipment(), measured("hop", LEFT, 120))) == MET_BY_ROUTE


@pytest.mark.parametrize("because", ["time", "refused"])
def test_another_cause_opens_nothing(because: str) -> None:
    battery = assessment(not_measured("strength", LEFT, "not_done", because), measured("hop", LEFT, 120))
    assert led_to(EQUIPMENT, battery) == []


def test_a_test_not_sent_at_all_opens_nothing() -> None:
    assert led_to(EQUIPMENT, assessment(measured("hop", LEFT, 120))) == []


def test_no_equipment_on_another_day_opens_nothing() -> None:
    entries = assessment(no_equipment(), on="2026-11-19"), assessment(measured("hop", LEFT, 120))
    assert led_to(EQUIPMENT, *entries) == []


@pytest.mark.parametrize(("on", "opens"), [("2026-11-12", True), ("2026-11-13", False)])
def test_an_attempt_within_its_days_keeps_the_route_shut(on: str, opens: bool) -> None:  # noqa: FBT001 - a case
    older = assessment(both("strength", 80, 100), on=on)
    battery = assessment(no_equipment(), measured("hop", LEFT, 120))
    assert (led_to(EQUIPMENT, older, battery) == ["alone"]) is opens


def test_an_attempt_before_the_last_setback_does_not_keep_the_route_shut() -> None:
    older = assessment(both("strength", 100, 100), on="2026-11-16")
    battery = assessment(no_equipment(), measured("hop", LEFT, 120))
    assert led_to(EQUIPMENT, older, event("setback", "2026-11-17"), battery) == ["alone"]


def test_each_involved_side_must_lack_the_equipment() -> None:
    one = assessment(no_equipment("strength", LEFT), both("hop", 120, 120), facts=BILATERAL)
    two = assessment(no_equipment("strength", LEFT, RIGHT), both("hop", 120, 120), facts=BILATERAL)
    assert [led_to(EQUIPMENT, battery) for battery in (one, two)] == [[], ["alone"]]


def test_a_test_of_the_person_may_lack_its_equipment() -> None:
    criteria = small_set({"asked": {**SPRINT, "without_equipment": "alone"}, "alone": ALONE}, asks=["asked"])
    missing = not_measured("sprint", None, "not_done", "no_equipment")
    assert led_to(criteria, assessment(missing, measured("hop", LEFT, 120))) == ["alone"]


def test_a_criterion_of_several_tests_has_no_route_without_equipment() -> None:
    worst = {"tests": ["strength"], "metric": "worst_pain", "at_most": 2, "without_equipment": "alone"}
    criteria = small_set({"asked": worst, "alone": ALONE}, asks=["asked"])
    assert led_to(criteria, assessment(no_equipment(), measured("hop", LEFT, 120))) == []


def test_a_group_takes_its_route_where_parts_lack_equipment() -> None:
    criteria = small_set(
        {"asked": {"all": ["strong", "sprint"], "without_equipment": "alone"}, "strong": STRENGTH, "sprint": SPRINT}
        | {"alone": ALONE},
        asks=["asked"],
    )
    battery = assessment(no_equipment(), measured("sprint", None, 9), measured("hop", LEFT, 120))
    assert led_to(criteria, battery) == ["alone"]


def test_without_any_assessment_no_equipment_is_missing() -> None:
    first = assessment(no_equipment(), ref="first", on="2026-11-18")
    entries = first, event("setback", "2026-11-18")._replace(kind="void", document={"entry": "first"})
    carrier = assessment(ref="carrier", on="2026-11-18")._replace(
        document={**first.document, "kind": "follow_up", "follows": "first", "measurements": []}
    )
    found = verdict_of(EQUIPMENT, *entries, carrier, at="2026-11-20")
    assert reasons_in(found)["asked"].code == "missing_test"


# The chain of both


def test_without_equipment_leads_to_its_own_criterion_where_that_has_a_reference() -> None:
    assert led_to(CHAIN, assessment(no_equipment(), both("hop", 120, 120))) == ["hops"]


def test_without_equipment_and_then_without_reference_leads_to_the_asked_ones_own() -> None:
    battery = assessment(no_equipment(), both("hop", 120, 120), measured("sprint", None, 9), facts=BEFORE)
    assert led_to(CHAIN, battery) == ["alone"]


def test_the_chain_asks_for_the_other_side_of_the_test_led_to() -> None:
    battery = assessment(no_equipment(), measured("hop", LEFT, 120), measured("sprint", None, 9), facts=BEFORE)
    assert led_to(CHAIN, battery) == ["hops"]


def test_the_chain_does_not_go_on_where_the_criterion_led_to_is_not_met() -> None:
    battery = assessment(no_equipment(), both("hop", 80, 120), measured("sprint", None, 9), facts=BEFORE)
    assert led_to(CHAIN, battery) == ["hops"]


def test_without_reference_is_looked_at_first() -> None:
    battery = assessment(both("strength", 100, 100), measured("sprint", None, 9), facts=BEFORE)
    assert led_to(CHAIN, battery) == ["alone"]
