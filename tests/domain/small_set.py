"""A miniature criteria set, so that each test shows the one criterion that it is about.

Quantities may be written as in a set's source: `90 %`, `1.5 cm`.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from service.domain.criteria import CriteriaSet, read_criteria_set

QUANTITY = re.compile(r"-?\d+(\.\d+)? \S+")

GATE = "gate"

TESTS: dict[str, Any] = {
    "hop": {
        "title": "Hop",
        "quantity": "length",
        "unit": "cm",
        "better": "higher",
        "sides": "each",
        "loading": True,
        "classes": ["hops", "impact"],
        "trials": {"minimum": 1, "scored": 3, "maximum": 6, "summary": "best"},
        "symmetry": True,
        "possible": {"at_least": "0 cm", "at_most": "400 cm"},
        "plausible": {"at_least": "40 cm", "at_most": "300 cm"},
        "must_match": ["support"],
        "retest_class": "hops",
        "rest_days": 4,
        "after": ["heel_rises"],
    },
    "side_hop": {
        "title": "Side hop",
        "quantity": "time",
        "unit": "s",
        "better": "lower",
        "sides": "each",
        "loading": True,
        "classes": ["hops"],
        "trials": {"minimum": 2, "scored": 3, "maximum": 6, "summary": "best"},
        "symmetry": True,
        "possible": {"above": "0 s", "at_most": "300 s"},
        "must_match": ["support"],
        "retest_class": "hops",
    },
    "strength": {
        "title": "Strength",
        "quantity": "force",
        "unit": "N",
        "better": "higher",
        "sides": "each",
        "loading": True,
        "classes": ["strength"],
        "trials": {"minimum": 1, "scored": 3, "maximum": 6, "summary": "best"},
        "symmetry": True,
        "possible": {"at_least": "0 N"},
        "must_match": ["instrument"],
        "retest_class": "strength",
        "rest_days": 7,
    },
    "heel_rises": {
        "title": "Heel rises",
        "quantity": "count",
        "unit": "1",
        "better": "higher",
        "sides": "each",
        "loading": True,
        "classes": ["strength"],
        "trials": {"minimum": 1, "scored": 1, "maximum": 1, "summary": "best"},
        "symmetry": True,
        "possible": {"at_least": 0, "at_most": 300},
        "retest_class": "strength",
    },
    "lunge": {
        "title": "Lunge",
        "quantity": "length",
        "unit": "cm",
        "better": "higher",
        "sides": "each",
        "loading": False,
        "classes": ["range"],
        "trials": {"minimum": 3, "scored": 3, "maximum": 6, "summary": "mean"},
        "symmetry": False,
        "possible": {"at_least": "0 cm", "at_most": "40 cm"},
        "retest_class": "mobility",
    },
    "foot_lifts": {
        "title": "Foot lifts",
        "quantity": "count",
        "unit": "1",
        "better": "lower",
        "sides": "each",
        "loading": False,
        "trials": {"minimum": 2, "scored": 4, "maximum": 6, "summary": "median"},
        "symmetry": False,
        "possible": {"at_least": 0},
        "retest_class": "mobility",
    },
    "reach": {
        "title": "Reach",
        "quantity": "length",
        "unit": "cm",
        "better": "higher",
        "sides": "each",
        "loading": False,
        "classes": ["range"],
        "trials": {"minimum": 2, "scored": 2, "maximum": 4, "summary": "total"},
        "symmetry": True,
        "possible": {"at_least": "0 cm"},
        "retest_class": "mobility",
    },
    "sprint": {
        "title": "Sprint",
        "quantity": "time",
        "unit": "s",
        "better": "lower",
        "sides": "none",
        "loading": True,
        "classes": ["impact"],
        "trials": {"minimum": 1, "scored": 2, "maximum": 4, "summary": "best"},
        "symmetry": False,
        "possible": {"above": "0 s"},
        "must_match": ["support"],
        "retest_class": "hops",
    },
    "worst_pain_24h": {
        "title": "Worst pain in 24 hours",
        "quantity": "pain",
        "unit": "1",
        "better": "lower",
        "sides": "none",
        "loading": False,
        "trials": {"minimum": 1, "scored": 1, "maximum": 1, "summary": "best"},
        "symmetry": False,
        "possible": {"at_least": 0, "at_most": 10},
        "retest_class": "pain",
    },
    "confidence": {
        "title": "Confidence",
        "quantity": "score",
        "unit": "1",
        "better": "higher",
        "sides": "none",
        "loading": False,
        "trials": {"minimum": 1, "scored": 1, "maximum": 1, "summary": "best"},
        "symmetry": False,
        "possible": {"at_least": 0, "at_most": 10},
        "retest_class": "pain",
    },
}

QUESTIONS: dict[str, Any] = {
    "limp": {"title": "Limp", "ask": "Does the athlete limp?", "asked_in": "session_check", "answers": [False, True]},
    "pain_at_rest": {
        "title": "Pain at rest",
        "ask": "How much pain is there at rest?",
        "asked_in": "session_check",
        "answers": {"at_least": 0, "at_most": 10},
        "pain": True,
    },
    "medication_24h": {
        "title": "Medication",
        "ask": "Which medicine was taken?",
        "asked_in": "session_check",
        "answers": ["none", "paracetamol", "opioid"],
        "masks_pain": ["paracetamol", "opioid"],
    },
    "since_last": {
        "title": "Since last time",
        "ask": "What happened since last time?",
        "asked_in": "since_last",
        "answers": ["giving_way", "setback", "re_injury"],
    },
    "support": {
        "title": "Support",
        "ask": "What supports the ankle?",
        "asked_in": "setup",
        "answers": ["none", "tape", "brace"],
    },
    "instrument": {
        "title": "Instrument",
        "ask": "What measures the force?",
        "asked_in": "setup",
        "answers": ["fixed", "handheld"],
    },
}

SESSIONS: dict[str, Any] = {
    "walk": {"title": "Walk", "takes": "minutes", "rank": 1},
    "drill": {"title": "Drill", "takes": "efforts", "rank": 2},
    "training": {"title": "Training", "takes": "minutes", "rank": 3},
    "match_training": {"title": "Match training", "takes": "minutes", "rank": 4},
}

REFERRAL: list[Any] = [
    {"id": "numb", "ask": "Is the foot numb?", "action": "Refer now."},
    {
        "id": "growth_plate",
        "when": {"age": {"at_most": 17}},
        "ask": "Is the growth plate tender?",
        "action": "Have it examined.",
    },
    {
        "id": "squeeze",
        "when": {"days_since_onset": {"at_most": 14}},
        "ask": "Does squeezing the leg hurt at the ankle?",
        "action": "Have it imaged.",
    },
]

NOT_TODAY: list[Any] = [
    {"question": "limp", "is": True},
    {"question": "pain_at_rest", "above": 5},
    {"event": "giving_way", "within_days": 2},
]

RETEST: dict[str, Any] = {
    "not_today": {"after_days": 2, "window_days": 2},
    "pain": {"after_days": 3, "window_days": 2},
    "not_done": {"after_days": 2, "window_days": 3},
    "mobility": {"after_days": 4, "window_days": 2},
    "hops": {"after_days": 5, "window_days": 1},
    "strength": {"after_days": 7, "window_days": 2},
    "sessions": {"after_days": 2, "window_days": 2},
    "referral_outcome": {"after_days": 1, "window_days": 2},
    "after_override": {"after_days": 2, "window_days": 1},
    "bounds": {"earliest_days": 1, "latest_days": 14},
    "evidence": "practice",
}


def resolved(value: Any) -> Any:
    """Return a value with each quantity as a resolved document holds it."""
    if isinstance(value, Mapping):
        return {key: resolved(one) for key, one in value.items()}
    if isinstance(value, list):
        return [resolved(one) for one in value]
    if isinstance(value, str) and QUANTITY.fullmatch(value):
        figure, unit = value.split(" ")
        return {"value": figure, "unit": unit}
    return value


def document(
    criteria: Mapping[str, Any], stages: Mapping[str, Any], *, tests: Mapping[str, Any] | None = None, **changes: Any
) -> dict[str, Any]:
    """Return a resolved document with these criteria; a stage is the list it asks, or the whole of a stage."""
    whole = {
        "id": "small-set",
        "version": 1,
        "engine": 1,
        "scope": {"conditions": ["lateral_ankle_sprain"], "age": {"at_least": 14}, "bilateral": True},
        "baseline": {"valid_days": 365},
        "follow_up": {"after_days": 1, "within_days": 2},
        "sides_check": {"index": "115 %", "tests": 2},
        "stands": {"pass_days": 7},
        "pain_rule": {"during": {"step_up": 2, "stay": 5}, "next_morning_rise": {"step_up": 0, "stay": 1}},
        "referral": REFERRAL,
        "not_today": NOT_TODAY,
        "criteria": criteria,
        "stages": [_stage(key, one) for key, one in stages.items()],
        "retest": RETEST,
        "catalogue": {
            "tests": {key: {"protocol": "As agreed.", **one} for key, one in {**TESTS, **(tests or {})}.items()},
            "questions": QUESTIONS,
            "sessions": SESSIONS,
            "sources": {},
        },
    }
    found: dict[str, Any] = resolved({**whole, **changes})
    return found


def _stage(key: str, one: Any) -> dict[str, Any]:
    whole = {"id": key, "title": key.capitalize(), "asks": one if isinstance(one, Sequence) else one.get("asks", [])}
    return whole if isinstance(one, Sequence) else {**whole, **one}


def small_set(criteria: Mapping[str, Any], *, asks: Sequence[str] | None = None, **changes: Any) -> CriteriaSet:
    """Return a set of these criteria with one stage, which asks those named (all by default), or with `stages`."""
    stages = changes.pop("stages", {GATE: list(criteria if asks is None else asks)})
    return read_criteria_set(document(criteria, stages, **changes))
