"""The bodies that the club's records system would post, made from a story and today's date."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

from service.demo.club import ZONE
from service.demo.story import Baseline, Check, Injury, Measured, Morning, Screen, Session, Story, Visit
from service.demo.usual import ON_THE_SPOT

CONDITION = "lateral_ankle_sprain"
QUESTIONS = (
    "cannot_take_four_steps",
    "lateral_malleolus_tender",
    "medial_malleolus_tender",
    "fifth_metatarsal_tender",
    "navicular_tender",
    "growth_plate_tender",
    "calf_squeeze_still_or_gap",
    "pain_out_of_proportion",
    "ankle_squeeze_painful",
    "rotation_stress_painful",
    "calf_swollen_vein_tender",
    "foot_numb_cold_or_deformed",
    "worse_at_night_or_fever",
)
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
    "evertor_strength": "N",
    "side_hop_time": "s",
    "figure_of_eight_hop_time": "s",
    "triple_hop_distance": "cm",
    "t_test_time": "s",
}
HOPS = (ON_THE_SPOT, "side_hop_time", "figure_of_eight_hop_time", "triple_hop_distance")
UNRATED = ("pain_worst_24h", "confidence")
"""What is itself a rating: no pain in it is asked."""

ADULT = 18
IN_EFFORTS = ("cutting_drill", "match_speed_drill")
NO_SIDE, BOTH = "", "both"


def moment(today: date, day: int, at: str) -> datetime:
    """Return a moment of a story, in the club's time zone."""
    return datetime.combine(today + timedelta(days=day), time.fromisoformat(at), ZONE)


def athlete_body(story: Story, today: date) -> dict[str, Any]:
    """Return the athlete as every battery names them."""
    return {"ref": story.ref, "birth_year": today.year - story.turns, "sex": story.sex}


def episode_ref(story: Story, injury: Injury) -> str:
    """Return the club's reference of an episode."""
    return f"{story.ref}-{story.injuries.index(injury) + 1}"


def episode_body(story: Story, injury: Injury, today: date) -> dict[str, Any]:
    """Return the episode as every battery names it; a later one recurs from the one before."""
    body = {
        "ref": episode_ref(story, injury),
        "condition": CONDITION,
        "involved_side": injury.involved,
        "onset_on": (today + timedelta(days=injury.onset)).isoformat(),
        "other_side": injury.other_side,
    }
    place = story.injuries.index(injury)
    if place:
        body["recurrence_of"] = episode_ref(story, story.injuries[place - 1])
    return body


def battery_ref(story: Story, step: Visit | Morning | Baseline) -> str:
    """Return the club's reference of a battery; the one that corrects another keeps its reference."""
    kind = {Visit: "", Morning: "-morning", Baseline: "-baseline"}[type(step)]
    return f"{story.ref}-day{-step.day}{kind}"


def visit_body(story: Story, injury: Injury, visit: Visit, today: date) -> dict[str, Any]:
    """Return an assessment, without athlete and episode."""
    body: dict[str, Any] = {
        "kind": "assessment",
        "ref": battery_ref(story, visit),
        "performed_at": moment(today, visit.day, visit.at).isoformat(),
        "tester": "staff-1",
        "session_check": _check(visit.check),
        "since_last": {
            "events": [{"kind": kind, "on": _on(today, day)} for kind, day in visit.events],
            "sessions": [_session(one, today) for one in visit.sessions],
        },
        "setup": dict(SETUP),
        "measurements": _measurements(visit.measured, injury.involved),
    }
    if visit.screen is not None:
        body["referral"] = _screen(visit.screen, story)
    if visit.stage is not None:
        body["target_stage"] = visit.stage
    if visit.confirmed:
        body["confirmed"] = ["sides"]
    if visit.corrects is not None:
        body["supersedes"] = {"ref": body["ref"]}
    return body


def morning_body(story: Story, morning: Morning, follows: Visit, today: date) -> dict[str, Any]:
    """Return a follow-up, without athlete and episode."""
    return {
        "kind": "follow_up",
        "ref": battery_ref(story, morning),
        "follows": {"ref": battery_ref(story, follows)},
        "performed_at": moment(today, morning.day, morning.at).isoformat(),
        "session_check": _check(morning.check),
        "since_last": {"events": []},
    }


def baseline_body(story: Story, baseline: Baseline, involved: str, today: date) -> dict[str, Any]:
    """Return a baseline, without the athlete."""
    return {
        "kind": "baseline",
        "ref": battery_ref(story, baseline),
        "performed_at": moment(today, baseline.day, baseline.at).isoformat(),
        "setup": dict(SETUP),
        "measurements": _measurements(baseline.measured, involved),
    }


def _on(today: date, day: int) -> str:
    return (today + timedelta(days=day)).isoformat()


def _check(check: Check) -> dict[str, Any]:
    return {
        "limp": check.limp,
        "swelling_increased": check.swelling,
        "pain_at_rest": check.rest,
        "medication_24h": check.medication,
    }


def _screen(screen: Screen, story: Story) -> dict[str, bool]:
    due = [one for one in QUESTIONS if story.turns < ADULT or one != "growth_plate_tender"]
    asked = screen.asked or [one for one in due if one not in screen.left_out]
    return {question: question in screen.yes for question in asked}


def _session(session: Session, today: date) -> dict[str, Any]:
    amount = "efforts" if session.kind in IN_EFFORTS else "minutes"
    return {
        "kind": session.kind,
        "on": _on(today, session.day),
        amount: session.amount,
        "worst_pain": session.pain,
        "next_morning_rise": session.rise,
        "medication": session.medication,
    }


def _measurements(rows: tuple[Measured, ...], involved: str) -> list[dict[str, Any]]:
    return [one for row in rows for one in _sides(row, involved)]


def _sides(row: Measured, involved: str) -> list[dict[str, Any]]:
    """Return what was measured on the two sides, or of the person where there is only one figure."""
    first, second = {"left": ("left", "right"), "right": ("right", "left"), BOTH: ("left", "right")}[involved]
    ratings = _ratings(row.test, row.pain, row.instability)
    if not row.other:
        return [_measurement(row.test, NO_SIDE, row.involved, ratings)]
    own = _measurement(row.test, first, row.involved, ratings)
    if row.support is not None:
        own["setup"] = {"support": row.support}
    return [own, _measurement(row.test, second, row.other, _ratings(row.test, 0, 0))]


def _ratings(test: str, pain: int, instability: int) -> dict[str, int]:
    if test in UNRATED:
        return {}
    return {"pain": pain} | ({"instability": instability} if test in HOPS else {})


def _measurement(test: str, side: str, told: str, ratings: dict[str, int]) -> dict[str, Any]:
    one: dict[str, Any] = {"test": test} | ({"side": side} if side else {})
    result, found, because = told.partition(": ")
    if found:
        one |= {"result": result, "because": because}
        return one | (ratings if result == "unable" else {})
    one |= {"unit": UNITS[test]} if test in UNITS else {}
    return one | {"trials": [_trial(word) for word in told.split()]} | ratings


def _trial(word: str) -> dict[str, Any]:
    if word[0].isdigit():
        return {"value": int(word) if word.isdecimal() else Decimal(word)}
    return {"valid": False, "invalid_because": word}
