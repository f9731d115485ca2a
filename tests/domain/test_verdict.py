"""The verdict as a whole: outcome, holds, reasons, exceptions, and what it names."""

import json
from typing import Any

import pytest

from service.domain.canonical import canonical
from service.domain.errors import UnknownStageError
from service.domain.judge import judge
from tests.domain.small_record import (
    EPISODE,
    LEFT,
    QUIET,
    TODAY,
    Draft,
    assessment,
    evidence,
    exception,
    follow_up,
    measured,
    verdict_of,
    void,
)
from tests.domain.small_set import GATE, small_set

HOP = {"test": "hop", "metric": "value", "at_least": "100 cm"}
SPRINT = {"test": "sprint", "metric": "value", "at_most": "10 s"}
MORNING = {"question": "pain_at_rest", "metric": "rise", "after": "hops", "at_most": 1, "within_days": 7}
NO_LIMP = {"question": "limp", "metric": "value", "is": False}
CRITERIA = small_set({"hop": HOP, "sprint": SPRINT})


def battery(hop: Any = 120, sprint: Any = 9, **changes: Any) -> Draft:
    return assessment(measured("hop", LEFT, hop), measured("sprint", None, sprint), **changes)


def test_a_verdict_names_all_that_it_rests_on() -> None:
    assert verdict_of(CRITERIA, assessment(on="2026-11-18"), battery()) == {
        "engine": 1,
        "criteria": CRITERIA.digest,
        "episode": EPISODE,
        "stage": GATE,
        "as_of": "2026-11-20T15:00:00.000000Z",
        "through": 2,
        "posted": True,
        "today": TODAY,
        "outcome": "pass",
        "hold_because": [],
        "holds": [],
        "reasons": [
            ["hop", None, "met", "met", "120", "1", False],
            ["sprint", None, "met", "met", "9", "1", False],
        ],
    }


def test_a_verdict_is_canonical_json() -> None:
    found = verdict_of(CRITERIA, battery("99.99", "10.01"))
    assert json.loads(canonical(found)) == found


def test_nothing_is_skipped_once_one_thing_fails() -> None:
    found = verdict_of(CRITERIA, battery(90, 11))
    assert [row[3] for row in found["reasons"]] == ["below", "above"]
    assert (found["outcome"], found["hold_because"]) == ("hold", ["not_met"])


def test_reasons_stand_in_the_order_of_the_stage() -> None:
    criteria = small_set({"hop": HOP, "sprint": SPRINT}, asks=["sprint", "hop"])
    assert [row[0] for row in verdict_of(criteria, battery())["reasons"]] == ["sprint", "hop"]


def test_a_figure_stands_in_lowest_terms_with_a_positive_denominator() -> None:
    difference = {"test": "hop", "metric": "side_difference", "at_most": "15 mm"}
    sides = measured("hop", LEFT, "10.25"), measured("hop", "right", 10)
    row = verdict_of(small_set({"hop": difference}), assessment(*sides))["reasons"][0]
    assert row == ["hop", None, "met", "met", "-5", "2", False]


def test_of_an_answer_both_figures_are_nothing() -> None:
    row = verdict_of(small_set({"limp": NO_LIMP}), assessment())["reasons"][0]
    assert row == ["limp", None, "met", "met", None, None, False]


def test_a_gate_that_asks_nothing_passes_by_the_screen_alone() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: [], "later": ["hop"]})
    assert verdict_of(criteria, assessment())["outcome"] == "pass"


def test_awaiting_an_answer_is_a_kind_of_its_own() -> None:
    found = verdict_of(small_set({"morning": MORNING}), battery())
    assert (found["outcome"], found["hold_because"]) == ("hold", ["awaiting_response"])
    assert found["reasons"][0][2:4] == ["not_assessed", "awaiting_response"]


def test_the_kinds_of_holds_and_reasons_stand_once_and_in_order() -> None:
    criteria = small_set({"morning": MORNING, "sprint": SPRINT, "hop": HOP, "limp": NO_LIMP})
    held = battery(80, referral={"numb": True}, session_check={**QUIET, "limp": True})
    silent = held._replace(
        document={**held.document, "measurements": [measured("hop", LEFT, 80)], "athlete": {}},
    )
    assert verdict_of(criteria, silent)["hold_because"] == [
        "finding_open",
        "not_today",
        "outside_scope",
        "not_met",
        "not_assessed",
        "awaiting_response",
    ]


def test_judging_twice_is_equal() -> None:
    seen = evidence(battery())
    assert judge(seen, CRITERIA, GATE) == judge(seen, CRITERIA, GATE)


def test_one_fold_serves_two_sets() -> None:
    seen = evidence(battery(99))
    stricter, milder = small_set({"hop": HOP}), small_set({"hop": {**HOP, "at_least": "90 cm"}})
    assert [judge(seen, one, GATE)["outcome"] for one in (stricter, milder)] == ["hold", "pass"]


def test_a_stage_that_the_set_has_not_is_refused() -> None:
    with pytest.raises(UnknownStageError, match="no stage 'moon'; its stages are gate"):
        verdict_of(CRITERIA, battery(), stage="moon")


def test_an_answer_of_the_morning_is_no_answer_of_the_start() -> None:
    silent = assessment(ref="first", session_check={"medication_24h": "none"})
    row = verdict_of(small_set({"limp": NO_LIMP}, not_today=[]), silent, follow_up("first"))["reasons"][0]
    assert row[3] == "unanswered"


# Exceptions


@pytest.mark.parametrize(("until", "outcome"), [("2026-11-19", "hold"), ("2026-11-20", "pass"), ("2026-11-21", "pass")])
def test_an_exception_is_in_force_up_to_its_date(until: str, outcome: str) -> None:
    assert verdict_of(CRITERIA, exception("hop", until), battery(90))["outcome"] == outcome


def test_an_exception_keeps_the_true_status_in_the_reason() -> None:
    found = verdict_of(CRITERIA, exception("hop", "2026-12-01"), battery(90))
    assert found["reasons"][0] == ["hop", None, "not_met", "below", "90", "1", True]


def test_an_exception_takes_out_what_was_not_assessed_too() -> None:
    alone = assessment(measured("sprint", None, 9))
    assert verdict_of(CRITERIA, exception("hop", "2026-12-01"), alone)["outcome"] == "pass"


def test_an_exception_takes_one_criterion_out_and_no_other() -> None:
    assert verdict_of(CRITERIA, exception("hop", "2026-12-01"), battery(90, 11))["hold_because"] == ["not_met"]


def test_an_exception_is_for_one_stage_alone() -> None:
    criteria = small_set({"hop": HOP}, stages={GATE: ["hop"], "later": ["hop"]})
    entries = exception("hop", "2026-12-01"), assessment(measured("hop", LEFT, 90))
    assert [verdict_of(criteria, *entries, stage=stage)["outcome"] for stage in (GATE, "later")] == ["pass", "hold"]


def test_an_exception_never_touches_holds() -> None:
    painful = assessment(measured("hop", LEFT, 120, pain=8), measured("sprint", None, 9))
    found = verdict_of(CRITERIA, exception("hop", "2026-12-01"), painful)
    assert (found["holds"], found["hold_because"]) == ([["not_met", "pain_beyond_limit", "hop"]], ["not_met"])


def test_a_void_exception_is_none() -> None:
    entries = exception("hop", "2026-12-01", ref="mistake"), void("mistake"), battery(90)
    assert verdict_of(CRITERIA, *entries)["outcome"] == "hold"


def test_an_exception_of_a_part_does_not_touch_its_group() -> None:
    criteria = small_set({"group": {"all": ["hop", "sprint"]}, "hop": HOP, "sprint": SPRINT}, asks=["group"])
    found = verdict_of(criteria, exception("hop", "2026-12-01"), battery(90))
    assert found["outcome"] == "hold"
    assert [row[6] for row in found["reasons"]] == [False, False, False]


def test_the_part_of_an_excepted_criterion_is_not_itself_excepted() -> None:
    criteria = small_set({"group": {"all": ["hop", "sprint"]}, "hop": HOP, "sprint": SPRINT}, asks=["group"])
    found = verdict_of(criteria, exception("group", "2026-12-01"), battery(90))
    assert found["outcome"] == "pass"
    assert [row[6] for row in found["reasons"]] == [True, False, False]
