"""The decision's schema describes what is answered, with the closed lists of the engine."""

from typing import Any

import pytest

from schemas import decision, reason
from schemas.decision import DecisionSchema
from schemas.faults import load, pointer
from service.domain import codes

REASON: dict[str, Any] = {
    "criterion": "side-hop-floor",
    "part_of": None,
    "route": None,
    "status": "met",
    "code": "met",
    "required": True,
    "test": "side_hop_time",
    "metric": "limb_symmetry_index",
    "measured": {"value": "90", "unit": "%"},
    "threshold": {"comparator": "at_least", "value": "80", "unit": "%"},
    "margin": {"value": "10", "unit": "%"},
    "inputs": [
        {"role": "involved", "side": "left", "value": "9.6", "unit": "s", "trials_used": 2, "trials_invalid": 1},
        {"role": "other", "side": "right", "value": "8.64", "unit": "s", "trials_used": 2, "trials_invalid": 0},
    ],
    "carried_from": None,
    "excepted": False,
    "formula": "100 x uninvolved / involved",
    "statement": "Side hop: limb symmetry index 90 % meets the required 80 %.",
    "evidence": "practice",
    "grade": "C",
    "sources": [],
    "see": [],
    "work_on": None,
}
DECISION: dict[str, Any] = {
    "outcome": "hold",
    "hold_because": ["finding_open"],
    "target_stage": "team_training",
    "supported_stage": None,
    "summary": "Hold: a finding is open.",
    "holds": [
        {
            "kind": "finding_open",
            "code": "finding_open",
            "about": "cannot_take_four_steps",
            "statement": "Still open.",
            "action": "Radiographs.",
        }
    ],
    "reasons": [REASON],
    "shown": [],
    "data_quality": [{"code": "new_athlete", "detail": "The athlete was created."}],
    "next_steps": {"now": [], "work_on": [], "stage": None, "may_continue": [], "not_yet": [], "on_pass": []},
    "retest": {"due_on": "2026-11-22", "window_days": 2, "because": "A finding is open."},
    "follow_up": {"due_on": "2026-11-21", "window_days": 1, "asks": ["pain_at_rest"]},
    "caution": {"code": "support", "text": "Decision support.", "points": ["Refer on any referral sign."]},
    "criteria_set": {"id": "lateral-ankle-sprain", "version": 1, "digest": "sha256:" + "0" * 64},
    "as_of": "2026-11-20T15:30:00.000000Z",
    "through": 1,
    "used": [{"performed_at": "2026-11-20T15:30:00.000000Z"}],
    "engine": 1,
    "service_version": "0.1.0",
}


def faults_of(**changes: Any) -> list[tuple[str, str]]:
    _, faults = load(DecisionSchema(), DECISION | changes)
    return [(pointer(fault.path), fault.code) for fault in faults]


def test_a_decision_without_a_store_is_described() -> None:
    assert faults_of() == []


def test_a_decision_of_a_store_is_described() -> None:
    assert (
        faults_of(
            id="0192",
            battery_id="0193",
            created=["athlete"],
            standing={"state": "standing", "until": None, "awaiting_sign_off": True},
            digest="sha256:" + "a" * 64,
            previous_digest=None,
            performed_at="2026-11-20T15:30:00.000000Z",
            decided_at="2026-11-20T15:31:00.000000Z",
        )
        == []
    )


@pytest.mark.parametrize(
    ("listed", "engine"),
    [
        (decision.OUTCOMES, (codes.PASS, codes.HOLD)),
        (decision.HOLD_KINDS, codes.HOLD_KINDS),
        (decision.HOLD_CODES, codes.HOLD_CODES),
        (decision.WITHDRAWAL_CODES, codes.WITHDRAWAL_CODES),
        (reason.STATUSES, (codes.MET, codes.NOT_MET, codes.NOT_ASSESSED)),
        (reason.REASON_CODES, codes.REASON_CODES),
    ],
)
def test_the_closed_lists_are_the_engines(listed: tuple[str, ...], engine: tuple[str, ...]) -> None:
    assert listed == engine


@pytest.mark.parametrize(
    ("change", "place", "code"),
    [
        ({"measured": {"value": 90.5}}, "#/reasons/0/measured/value", "wrong_type"),
        ({"measured": {"value": "90.0"}}, "#/reasons/0/measured/value", "bad_text"),
        ({"margin": {"value": "1E1"}}, "#/reasons/0/margin/value", "bad_text"),
        ({"code": "cleared"}, "#/reasons/0/code", "unknown_name"),
        ({"question": "limp"}, "#/reasons/0/question", "conflicts"),
        ({"colour": "green"}, "#/reasons/0/colour", "unknown_field"),
    ],
)
def test_what_the_answer_does_not_have_is_refused(change: dict[str, Any], place: str, code: str) -> None:
    assert faults_of(reasons=[REASON | change]) == [(place, code)]


@pytest.mark.parametrize("value", ["0.666667", "-1.5", "0", "20", True, "none"])
def test_a_figure_is_decimal_text_or_an_answer(value: object) -> None:
    assert faults_of(reasons=[REASON | {"measured": {"value": value}}]) == []
