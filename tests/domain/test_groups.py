"""Groups: three-valued, counted, and followed by their parts."""

from typing import Any

import pytest

from tests.domain.small_record import LEFT, Draft, assessment, measured, reasons_in, verdict_of
from tests.domain.small_set import GATE, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s"}
LUNGE = {"test": "lunge", "metric": "value", "at_least": "10 cm"}
PARTS = {"hop": HOP, "sprint": SPRINT, "lunge": LUNGE}

# What was measured makes a part met, not met or (nothing sent) not assessed.
MEASURED = {
    "hop": {"met": [measured("hop", LEFT, 120)], "not_met": [measured("hop", LEFT, 80)], "open": []},
    "sprint": {"met": [measured("sprint", None, 9)], "not_met": [measured("sprint", None, 11)], "open": []},
    "lunge": {
        "met": [measured("lunge", LEFT, 12, 12, 12)],
        "not_met": [measured("lunge", LEFT, 8, 8, 8)],
        "open": [],
    },
}


def battery(hop: str, sprint: str, lunge: str) -> Draft:
    return assessment(MEASURED["hop"][hop], MEASURED["sprint"][sprint], MEASURED["lunge"][lunge])


def code_of_group(group: dict[str, Any], *states: str) -> str:
    criteria = small_set({"group": group, **PARTS}, asks=["group"])
    return reasons_in(verdict_of(criteria, battery(*states)))["group"].code


@pytest.mark.parametrize(
    ("states", "code"),
    [
        (("met", "met", "met"), "met"),
        (("met", "met", "open"), "undecided"),
        (("met", "met", "not_met"), "too_few_met"),
        (("met", "open", "not_met"), "too_few_met"),
        (("open", "open", "open"), "undecided"),
    ],
)
def test_all_needs_every_part(states: tuple[str, str, str], code: str) -> None:
    assert code_of_group({"all": ["hop", "sprint", "lunge"]}, *states) == code


@pytest.mark.parametrize(
    ("states", "code"),
    [
        (("not_met", "not_met", "met"), "met"),
        (("open", "open", "met"), "met"),
        (("not_met", "not_met", "open"), "undecided"),
        (("not_met", "not_met", "not_met"), "too_few_met"),
    ],
)
def test_any_needs_one_part(states: tuple[str, str, str], code: str) -> None:
    assert code_of_group({"any": ["hop", "sprint", "lunge"]}, *states) == code


@pytest.mark.parametrize(
    ("states", "code"),
    [
        (("met", "not_met", "not_met"), "too_few_met"),
        (("met", "open", "not_met"), "undecided"),
        (("met", "met", "not_met"), "met"),
        (("met", "met", "met"), "met"),
        (("open", "not_met", "not_met"), "too_few_met"),
    ],
)
def test_two_of_three_needs_two_parts(states: tuple[str, str, str], code: str) -> None:
    assert code_of_group({"any": ["hop", "sprint", "lunge"], "needed": 2}, *states) == code


@pytest.mark.parametrize(("code", "status"), [("undecided", "not_assessed"), ("too_few_met", "not_met")])
def test_the_status_of_a_group_is_that_of_its_code(code: str, status: str) -> None:
    states = ("met", "open", "met") if code == "undecided" else ("met", "not_met", "met")
    criteria = small_set({"group": {"all": ["hop", "sprint", "lunge"]}, **PARTS}, asks=["group"])
    found = verdict_of(criteria, battery(*states))
    assert reasons_in(found)["group"].status == status
    assert found["hold_because"] == [status]


def test_the_figure_of_a_group_is_parts_met_and_parts_needed_and_its_parts_follow() -> None:
    group = {"any": ["hop", "sprint", "lunge"], "needed": 2}
    criteria = small_set({"group": group, **PARTS}, asks=["group"])
    assert verdict_of(criteria, battery("met", "met", "not_met"))["reasons"] == [
        ["group", None, "met", "met", "2", "2", False],
        ["hop", "group", "met", "met", "120", "1", False],
        ["sprint", "group", "met", "met", "9", "1", False],
        ["lunge", "group", "not_met", "below", "8", "1", False],
    ]


def test_two_parts_of_four_are_not_brought_to_lowest_terms() -> None:
    four = {"group": {"all": [*PARTS, "again"]}, **PARTS, "again": HOP}
    row = verdict_of(small_set(four, asks=["group"]), battery("met", "open", "open"))["reasons"][0]
    assert row[4:6] == ["2", "4"]


def test_a_part_asked_by_itself_too_stands_in_both_places() -> None:
    criteria = small_set({"group": {"any": ["hop"]}, "hop": HOP}, asks=["group", "hop"])
    rows = verdict_of(criteria, battery("met", "open", "open"))["reasons"]
    assert [row[:2] for row in rows] == [["group", None], ["hop", "group"], ["hop", None]]


def test_a_part_that_fails_does_not_hold_beside_its_group() -> None:
    criteria = small_set({"group": {"any": ["hop", "sprint"]}, **PARTS}, stages={GATE: ["group"], "other": ["lunge"]})
    assert verdict_of(criteria, battery("met", "not_met", "open"))["outcome"] == "pass"
