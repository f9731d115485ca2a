"""What is shown of the record, of the battery and the decision in `examples`, as the documentation has it. Invented."""

from typing import Any

from service.api.examples import ATHLETE_ID, BATTERY, BATTERY_ID, CAUTION, DECISION, DECISION_ID, EPISODE_ID

CLINICIAN = {
    "id": "01a1308d-0000-7b1c-8e5a-0f1d2c3b4a01",
    "display_name": "Kim Invented",
    "profession": "physiotherapist",
}
SYSTEM = {"id": "01a1308d-0000-7b1c-8e5a-0f1d2c3b4a02", "display_name": "Invented record system", "profession": None}
CAUTIONS = {DECISION["criteria_set"]["digest"]: CAUTION}
BRIEF: dict[str, Any] = {
    "id": DECISION_ID,
    "battery_id": BATTERY_ID,
    "athlete_id": ATHLETE_ID,
    "athlete_ref": BATTERY["athlete"]["ref"],
    "episode_id": EPISODE_ID,
    "episode_ref": BATTERY["episode"]["ref"],
    "condition": BATTERY["episode"]["condition"],
    "target_stage": DECISION["target_stage"],
    "outcome": DECISION["outcome"],
    "hold_because": DECISION["hold_because"],
    "standing": DECISION["standing"],
    "criteria_set": DECISION["criteria_set"],
    "as_of": DECISION["as_of"],
    "decided_at": DECISION["decided_at"],
    "signed": False,
}
_FACTS = {key: value for key, value in BATTERY["episode"].items() if key != "new"}
SHOWN_BATTERY: dict[str, Any] = {
    "id": BATTERY_ID,
    "athlete_id": ATHLETE_ID,
    "episode_id": EPISODE_ID,
    "state": "standing",
    "superseded_by": None,
    "revision": 1,
    "created": ["athlete", "episode"],
    "posted_by": SYSTEM["id"],
    "recorded_at": DECISION["decided_at"],
    "performed_on": "2026-10-12",
    "digest": DECISION["previous_digest"],
    "battery": {
        **{key: BATTERY[key] for key in ("kind", "ref", "target_stage", "session_check", "referral", "since_last")},
        "athlete": {"ref": BATTERY["athlete"]["ref"], "birth_year": BATTERY["athlete"]["birth_year"]},
        "episode": _FACTS,
        "performed_at": DECISION["performed_at"],
        "measurements": [{"test": "pain_worst_24h", "result": "measured", "trials": [{"value": "3"}]}],
    },
    "decisions": [BRIEF],
    "cautions": CAUTIONS,
}
TASK: dict[str, Any] = {
    "id": DECISION["retest"]["id"],
    "kind": "retest",
    "about": None,
    "athlete_id": ATHLETE_ID,
    "athlete_ref": BRIEF["athlete_ref"],
    "episode_id": EPISODE_ID,
    "episode_ref": BRIEF["episode_ref"],
    "decision_id": DECISION_ID,
    "battery_id": None,
    "due_on": DECISION["retest"]["due_on"],
    "window_days": DECISION["retest"]["window_days"],
    "last_day": "2026-10-16",
    "overdue": False,
    "status": "due",
    "state": "open",
    "closed_because": None,
    "updated_at": DECISION["decided_at"],
    "reminded_at": None,
}
_EPISODE = {
    "id": EPISODE_ID,
    **_FACTS,
    "recurrence_of": None,
    "closed_on": None,
    "position": {
        "stage": "protected_loading",
        "participation": "none",
        "until": None,
        "lapsed": False,
        "determination": "stricter",
        "set_at": "2026-10-12T15:10:00.000000Z",
        "set_by": CLINICIAN,
        "conditions": "Crutches until the walk is even.",
    },
    "supported_stage": None,
    "step_back_proposed": True,
    "open_tasks": [TASK],
    "latest_decision": BRIEF | {"signed": True},
}
ATHLETE: dict[str, Any] = {
    "id": ATHLETE_ID,
    "ref": BATTERY["athlete"]["ref"],
    "birth_year": BATTERY["athlete"]["birth_year"],
    "birth_month": None,
    "sex": None,
    "dominant_leg": None,
    "leg_length": None,
    "body_mass": None,
    "entries": 3,
    "head_digest": "sha256:9727002714dffa8a8189250e00e81084bffa58d8f309ee205375fbd960c4190f",
    "erased_at": None,
    "episodes": [_EPISODE | {"open_findings": []}],
    "cautions": CAUTIONS,
}


def _told(sequence: int, kind: str, sentence: str, **changes: Any) -> dict[str, Any]:
    return {
        "id": BATTERY_ID,
        "sequence": sequence,
        "kind": kind,
        "occurred_at": DECISION["as_of"],
        "occurred_on": "2026-10-12",
        "recorded_at": DECISION["decided_at"],
        "by": SYSTEM,
        "counts": True,
        "sentence": sentence,
        **changes,
    }


EPISODE: dict[str, Any] = _EPISODE | {
    "athlete_id": ATHLETE_ID,
    "findings": [],
    "exceptions": [],
    "timeline": [
        _told(1, "battery", "Assessment with 1 measurement, posted for rebuild."),
        _told(2, "decision", f"Decision on rebuild. {DECISION['summary']}", id=DECISION_ID),
        _told(
            3,
            "sign_off",
            "Decision signed off (agree): protected loading and none.",
            id="01a1308e-6200-7c11-8e5a-0f1d2c3b4a59",
            by=CLINICIAN,
            occurred_at="2026-10-12T15:10:00.000000Z",
            recorded_at="2026-10-12T15:10:00.000000Z",
        ),
    ],
    "cautions": CAUTIONS,
}
_STORED_ONLY = (
    "id",
    "battery_id",
    "athlete_id",
    "episode_id",
    "created",
    "standing",
    "digest",
    "previous_digest",
    "performed_at",
    "decided_at",
    "withdrawn",
)


def _without_ids(reason: dict[str, Any]) -> dict[str, Any]:
    """Return a reason of what is not stored: batteries are told by their time."""
    read = [{key: one for key, one in told.items() if key != "battery_id"} for told in reason["inputs"]]
    return reason | {"inputs": read}


EVALUATED: dict[str, Any] = {key: value for key, value in DECISION.items() if key not in _STORED_ONLY} | {
    "reasons": [_without_ids(one) for one in DECISION["reasons"]],
    "data_quality": [],
    "retest": {key: value for key, value in DECISION["retest"].items() if key != "id"},
    "used": [{"performed_at": DECISION["performed_at"]}],
}
