"""A battery and its decision as the documentation shows them; a test posts the one and compares the other. Invented."""

from typing import Any

DECISION_ID = "01a1308e-6200-76b3-9d0c-cc74e25a61b1"
BATTERY_ID = "01a1308e-6200-7424-b442-324591fba92a"
ATHLETE_ID = "01a1308e-6200-7735-b25b-c228df67e9d2"
EPISODE_ID = "01a1308e-6200-7439-9c46-0760a4e2f1d8"

CAUTION: dict[str, Any] = {
    "code": "decision_support",
    "points": [
        "Meeting criteria lowers the risk of another injury and does not remove it.",
        "Stop testing on pain beyond the stated limit, on giving way or on any referral sign, and refer.",
        "Minors need the consent and the rules that apply to them; the figures used here are adult figures.",
        "This set has not been validated from end to end, and many of its limits are practice.",
        "Local law, the sport's governing body and the licensed clinician's judgement come first.",
    ],
    "text": (
        "Decision support for qualified professionals. It is not a diagnosis and not permission to "
        "play: a named professional decides."
    ),
}
BATTERY: dict[str, Any] = {
    "kind": "assessment",
    "ref": "KB-2026-1012-1",
    "athlete": {"ref": "KB-0417", "new": True, "birth_year": 2003},
    "episode": {
        "ref": "KB-0417-2",
        "new": True,
        "condition": "lateral_ankle_sprain",
        "involved_side": "left",
        "onset_on": "2026-10-04",
        "other_side": "healthy",
    },
    "target_stage": "rebuild",
    "performed_at": "2026-10-12T16:30:00+02:00",
    "session_check": {"limp": True, "swelling_increased": False, "pain_at_rest": 1, "medication_24h": "none"},
    "referral": {
        "cannot_take_four_steps": False,
        "lateral_malleolus_tender": False,
        "medial_malleolus_tender": False,
        "fifth_metatarsal_tender": False,
        "navicular_tender": False,
        "growth_plate_tender": False,
        "calf_squeeze_still_or_gap": False,
        "pain_out_of_proportion": False,
        "ankle_squeeze_painful": False,
        "rotation_stress_painful": False,
        "calf_swollen_vein_tender": False,
        "foot_numb_cold_or_deformed": False,
        "worse_at_night_or_fever": False,
    },
    "since_last": {"events": [], "sessions": []},
    "measurements": [{"test": "pain_worst_24h", "value": 3}],
}
FOLLOW_UP: dict[str, Any] = {
    "kind": "follow_up",
    "ref": "KB-2026-1013-1",
    "athlete": {"ref": "KB-0417"},
    "performed_at": "2026-10-13T08:15:00+02:00",
    "follows": {"ref": BATTERY["ref"]},
    "session_check": {"pain_at_rest": 1, "medication_24h": "none"},
    "since_last": {"events": [], "sessions": []},
}
BASELINE: dict[str, Any] = {
    "kind": "baseline",
    "ref": "KB-2026-0801-1",
    "athlete": {"ref": "KB-0417"},
    "performed_at": "2026-08-01T10:00:00+02:00",
    "setup": {"instrument": "handheld_dynamometer", "position": "sitting"},
    "measurements": [
        {
            "test": "evertor_strength",
            "side": "left",
            "unit": "N",
            "trials": [{"value": 190}, {"value": 196}, {"valid": False, "invalid_because": "technique"}],
        },
        {"test": "evertor_strength", "side": "right", "result": "not_done", "because": "time"},
    ],
}
CORRECTION: dict[str, Any] = {
    **BATTERY,
    "athlete": {"ref": "KB-0417", "birth_year": 2003},
    "episode": {key: value for key, value in BATTERY["episode"].items() if key != "new"},
    "supersedes": {"ref": BATTERY["ref"]},
    "measurements": [{"test": "pain_worst_24h", "value": 2}],
}
BATTERIES: dict[str, dict[str, Any]] = {
    "assessment": {"summary": "an assessment for a gate, of a new athlete", "value": BATTERY},
    "follow_up": {"summary": "the morning after", "value": FOLLOW_UP},
    "baseline": {"summary": "a baseline, from before the injury", "value": BASELINE},
    "correction": {"summary": "a correction: the battery as it should have been, whole", "value": CORRECTION},
}
"""The kinds of batteries, in an order in which they can be posted."""
DECISION: dict[str, Any] = {
    "id": DECISION_ID,
    "battery_id": BATTERY_ID,
    "created": ["athlete", "episode"],
    "outcome": "hold",
    "hold_because": ["not_met"],
    "target_stage": "rebuild",
    "supported_stage": None,
    "summary": "Hold: Limp: no is required, and that is not the answer. 1 of 2 required criteria are met; 1 not met.",
    "holds": [],
    "reasons": [
        {
            "criterion": "walks-without-limp",
            "part_of": None,
            "status": "not_met",
            "code": "is_not",
            "required": True,
            "question": "limp",
            "carried_from": None,
            "formula": None,
            "inputs": [{"answer": True, "on": "2026-10-12", "question": "limp", "role": "answer"}],
            "margin": None,
            "measured": None,
            "metric": "value",
            "route": None,
            "statement": "Limp: no is required, and that is not the answer.",
            "threshold": {"comparator": "is", "unit": "1", "value": "false"},
            "excepted": False,
            "evidence": "practice",
            "grade": "C",
            "sources": [],
            "see": ["delahunt-2018"],
            "work_on": "Walking with as much help as it takes to walk evenly, heel to toe, and swelling control.",
        },
        {
            "criterion": "pain-24h-moderate",
            "part_of": None,
            "status": "met",
            "code": "met",
            "required": True,
            "test": "pain_worst_24h",
            "carried_from": None,
            "formula": None,
            "inputs": [
                {
                    "battery_id": BATTERY_ID,
                    "performed_at": "2026-10-12T14:30:00.000000Z",
                    "result": "measured",
                    "role": "person",
                    "side": None,
                    "test": "pain_worst_24h",
                    "trials_invalid": 0,
                    "trials_used": 1,
                    "unit": "1",
                    "value": "3",
                }
            ],
            "margin": {"unit": "1", "value": "2"},
            "measured": {"unit": "1", "value": "3"},
            "metric": "value",
            "route": None,
            "statement": "Worst pain in the last 24 hours: 3 of 10; at most 5 is allowed.",
            "threshold": {"comparator": "at_most", "unit": "1", "value": "5"},
            "excepted": False,
            "evidence": "trial",
            "grade": "B",
            "sources": ["silbernagel-2007"],
            "see": [],
            "work_on": "Less load for two days, then build up again below a pain of 5.",
        },
    ],
    "shown": [],
    "data_quality": [
        {
            "code": "new_athlete",
            "detail": "A new athlete was made: no athlete had this ref",
        },
        {
            "code": "new_episode",
            "detail": "A new episode was made: no episode had this ref",
        },
    ],
    "next_steps": {
        "may_continue": [
            "Upper body, trunk and the other leg.",
            "Bike as comfortable, walking as comfortable.",
            "Gentle ankle movement.",
            "Heel rises on two legs if the pain stays at 0 to 2.",
        ],
        "not_yet": ["Running and hops.", "Twisting the ankle to the end of its range."],
        "now": [],
        "on_pass": [],
        "stage": "protected_loading",
        "work_on": ["Walking with as much help as it takes to walk evenly, heel to toe, and swelling control."],
    },
    "retest": {
        "id": "c6d51c83-cb8f-59f6-af9e-1bc39943d658",
        "after_days": 2,
        "because": "nothing may stand against testing that day: limp",
        "due_on": "2026-10-14",
        "sooner": [],
        "tests": [],
        "window_days": 2,
    },
    "follow_up": None,
    "criteria_set": {
        "id": "lateral-ankle-sprain",
        "version": 1,
        "digest": "sha256:30fe0be0ebb99f42884514a6e47182c1b491c99d148c88735993b8c0271bb153",
    },
    "as_of": "2026-10-12T14:30:00.000000Z",
    "through": 1,
    "engine": 1,
    "standing": {"state": "standing", "until": None, "awaiting_sign_off": True},
    "used": [{"battery_id": BATTERY_ID, "performed_at": "2026-10-12T14:30:00.000000Z"}],
    "service_version": "0.0.0",
    "digest": "sha256:34fef2103a1e151c4e78c7a99134e29693e15949509764e90421360fb3d5807e",
    "previous_digest": "sha256:67ccad9c4696f2663134d80dea24d7b887f43481423bc43416b1988fdfea7880",
    "athlete_id": ATHLETE_ID,
    "episode_id": EPISODE_ID,
    "performed_at": "2026-10-12T14:30:00.000000Z",
    "decided_at": "2026-10-12T14:40:00.000000Z",
    "withdrawn": [],
    "caution": CAUTION,
}
STORED_BATTERY: dict[str, Any] = {
    "battery_id": BATTERY_ID,
    "athlete_id": ATHLETE_ID,
    "episode_id": EPISODE_ID,
    "created": [],
    "data_quality": [],
    "withdrawn": [],
    "performed_at": DECISION["performed_at"],
    "recorded_at": DECISION["decided_at"],
    "digest": DECISION["previous_digest"],
}


def added(kind: str, **changes: Any) -> dict[str, Any]:
    """Return the answer about an entry of a kind."""
    return {
        "id": "01a1308e-6200-7c11-8e5a-0f1d2c3b4a59",
        "kind": kind,
        "athlete_id": ATHLETE_ID,
        "episode_id": EPISODE_ID,
        "occurred_at": "2026-10-13T07:00:00.000000Z",
        "recorded_at": "2026-10-13T07:00:00.000000Z",
        "digest": "sha256:9727002714dffa8a8189250e00e81084bffa58d8f309ee205375fbd960c4190f",
        "withdrawn": [],
        **changes,
    }
