"""Believable files of entries for the lateral ankle sprain set, as they are sent: plain documents to lay changes over.

Numbers may be given as text, so that a test reads as a clinician writes: `measured("side_hop_time", "left", "9.6")`.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from schemas.entries import EvaluationSchema
from schemas.faults import load
from service.criteria_files import load_set
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.judge import Verdict
from service.use_cases.evaluate import evaluate
from service.use_cases.reading_entries import Clock

_SCHEMA = EvaluationSchema()

CRITERIA_SETS = Path(__file__).resolve().parent.parent / "criteria_sets"

ATHLETE = {"birth_year": 2000}
EPISODE = {
    "condition": "lateral_ankle_sprain",
    "involved_side": "left",
    "onset_on": "2026-10-04",
    "other_side": "healthy",
}
SESSION_CHECK = {"limp": False, "swelling_increased": False, "pain_at_rest": 0, "medication_24h": "none"}
SETUP = {
    "support": "none",
    "footwear": "court_shoe",
    "surface": "indoor_court",
    "arms": "free",
    "instrument": "handheld_dynamometer",
    "position": "sitting",
}
UNITS = {
    "weight_bearing_lunge_distance": "cm",
    "anterior_reach": "cm",
    "evertor_strength": "N",
    "side_hop_time": "s",
    "figure_of_eight_hop_time": "s",
    "triple_hop_distance": "cm",
    "single_hop_distance": "cm",
    "t_test_time": "s",
}
HOPS = (
    "single_hops_on_the_spot",
    "side_hop_time",
    "figure_of_eight_hop_time",
    "triple_hop_distance",
    "single_hop_distance",
)

# The values of a battery that passes every gate, the involved side first. Each gate reads only some of them.
PASSING = {
    "weight_bearing_lunge_distance": (("9.5", "9.6", "9.7"), ("10.3", "10.4", "10.5")),
    "heel_rise_repetitions": (("22",), ("25",)),
    "foot_lifts_eyes_closed": (("6", "7", "6"), ("5", "4", "4")),
    "single_hops_on_the_spot": (("8",), ("10",)),
    "evertor_strength": (("180", "188", "184"), ("195", "200", "198")),
    "side_hop_time": (("9.9", "9.6", "9.7"), ("9.1", "8.9", "9.0")),
    "figure_of_eight_hop_time": (("12.2", "12.0", "12.1"), ("11.1", "11.0", "11.2")),
}
_SESSIONS = (
    ("brisk_walk", "2026-11-05", {"minutes": 30}),
    ("easy_run", "2026-11-07", {"minutes": 15}),
    ("cutting_drill", "2026-11-09", {"efforts": 3}),
    ("modified", "2026-11-11", {"minutes": 45}),
    ("modified", "2026-11-13", {"minutes": 60}),
    ("match_speed_drill", "2026-11-16", {"efforts": 3}),
    ("full", "2026-11-18", {"minutes": 75}),
)


@cache
def criteria() -> CriteriaSet:
    """Return the lateral ankle sprain set, version 1, from its source."""
    loaded = load_set(CRITERIA_SETS / "lateral-ankle-sprain" / "1.yaml", CRITERIA_SETS / "catalogue")
    return read_criteria_set(loaded.document)


def quantity(value: str | float | Decimal) -> int | Decimal:
    """Return a number as the JSON reader gives it: a whole number or a Decimal."""
    if isinstance(value, int):
        return value
    exact = Decimal(value)
    return int(exact) if isinstance(value, str) and value.isdecimal() else exact


def measured(test: str, side: str | None, *values: str | float | Decimal, **changes: Any) -> dict[str, Any]:
    """Return a measurement of valid trials in the test's own unit, painless; a change of None takes a key away."""
    one: dict[str, Any] = {"test": test, "trials": [{"value": quantity(value)} for value in values]}
    if side is not None:
        one["side"] = side
    if test in UNITS:
        one["unit"] = UNITS[test]
    if test not in ("pain_worst_24h", "confidence"):
        one["pain"] = 0
    if test in HOPS:
        one["instability"] = 0
    return _changed(one, changes)


def not_measured(test: str, side: str | None, result: str, because: str, **changes: Any) -> dict[str, Any]:
    """Return a measurement that is unable, not_done or deferred."""
    one = {"test": test, "result": result, "because": because, **({} if side is None else {"side": side})}
    return _changed(one, changes)


def session(kind: str, on: str, **changes: Any) -> dict[str, Any]:
    """Return a session that was tolerated: no pain, no rise, no medication."""
    return _changed({"kind": kind, "on": on, "worst_pain": 0, "next_morning_rise": 0, "medication": "none"}, changes)


def passing_measurements(*, involved: str = "left", other: str = "right") -> list[dict[str, Any]]:
    """Return what passes every gate, as far as measurements decide it."""
    found = [measured("pain_worst_24h", None, 1), measured("confidence", None, 8)]
    for test, (of_involved, of_other) in PASSING.items():
        found += [measured(test, involved, *of_involved), measured(test, other, *of_other)]
    return found


def passing_sessions() -> list[dict[str, Any]]:
    """Return the sessions that every gate asks."""
    return [session(kind, on, **dose) for kind, on, dose in _SESSIONS]


def referral_answers() -> dict[str, bool]:
    """Return every question of the referral screen answered no."""
    return {question.id: False for question in criteria().referral}


def battery(
    ref: str = "KB-1",
    at: str = "2026-11-20T16:30:00+01:00",
    measurements: Iterable[Mapping[str, Any]] | None = None,
    **changes: Any,
) -> dict[str, Any]:
    """Return an assessment, as an entry, that answers everything and passes every gate but for the next morning.

    A change replaces a key of the body as a whole; None takes it away.
    """
    body = {
        "kind": "assessment",
        "ref": ref,
        "performed_at": at,
        "session_check": dict(SESSION_CHECK),
        "referral": referral_answers(),
        "since_last": {"events": [], "sessions": passing_sessions()},
        "setup": dict(SETUP),
        "measurements": passing_measurements() if measurements is None else [dict(one) for one in measurements],
        "confirmed": ["sides"],
    }
    return {"battery": _changed(body, changes)}


def follow_up(
    follows: str = "KB-1", at: str = "2026-11-21T08:00:00+01:00", ref: str | None = None, **changes: Any
) -> dict[str, Any]:
    """Return the quiet morning after a battery, as an entry."""
    body = {
        "kind": "follow_up",
        "ref": ref or f"{follows}-morning",
        "follows": {"ref": follows},
        "performed_at": at,
        "session_check": dict(SESSION_CHECK),
        "since_last": {"events": []},
    }
    return {"battery": _changed(body, changes)}


def baseline(ref: str, at: str, measurements: Iterable[Mapping[str, Any]], **changes: Any) -> dict[str, Any]:
    """Return an uninjured battery, as an entry."""
    body = {
        "kind": "baseline",
        "ref": ref,
        "performed_at": at,
        "setup": dict(SETUP),
        "measurements": [dict(one) for one in measurements],
    }
    return {"battery": _changed(body, changes)}


def file(
    *entries: Mapping[str, Any],
    athlete: Mapping[str, Any] | None = None,
    episode: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return a file of these entries; without any, a battery and the quiet morning after it, which pass every gate."""
    return {
        "athlete": {**ATHLETE, **(athlete or {})},
        "episode": {**EPISODE, **(episode or {})},
        "entries": [*entries] if entries else [battery(), follow_up()],
    }


def loaded(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a file as its schema loads it; a fault of its shape fails the test."""
    found, faults = load(_SCHEMA, document)
    assert faults == [], f"the file is no example: {faults}"
    return dict(found)


def judge_file(document: Mapping[str, Any], stage: str, at: str | None = None) -> Verdict:
    """Return the verdict on a file, as posted with its last battery or on what is stored at a moment."""
    moment = None if at is None else datetime.fromisoformat(at)
    found = evaluate(loaded(document), criteria(), stage=stage, clock=Clock(), as_of=moment)
    assert found is not None, "the last battery is a follow-up that comes too late to be judged"
    return found.verdict


def code_of(verdict: Verdict, criterion: str) -> str:
    """Return the code of the first reason of a criterion, asked or part."""
    return next(str(code) for key, _part_of, _status, code, *_ in verdict["reasons"] if key == criterion)


def _changed(document: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    return {key: one for key, one in {**document, **changes}.items() if one is not None}
