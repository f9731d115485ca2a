"""Single troubles to lay on a story: each may hold a gate, undo a hold, or do nothing at all."""

from collections.abc import Callable
from copy import deepcopy
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from tests import builders
from tests.properties.places import (
    LOWER_IS_BETTER,
    Document,
    involved,
    leave_unmeasured,
    measurements,
    own_bodies,
    sessions,
    valid_trials,
    worst_value,
)

Trouble = Callable[[Random, Document], None]

CAUSES = ("balance", "extra_hop", "technique", "tester", "pain", "giving_way")
TODAY = "2026-11-20"
EXTRA = {
    "single_hop_distance": ("150", "150", "150"),
    "triple_hop_distance": ("500", "500", "500"),
    "anterior_reach": ("70", "70", "70"),
    "t_test_time": ("11", "11.5"),
    "instability_score": (26,),
    "readiness_score": (80,),
}


def _pick(chance: Random, found: Any) -> Any:
    """Return one part with its place left out; the latest first, so that a failing story shrinks to it."""
    parts = [one for _, one in found][::-1]
    return chance.choice(parts) if parts else {}


def _measured(chance: Random, document: Document) -> Any:
    of = chance.choice((involved, involved, measurements))
    return _pick(chance, ((place, one) for place, one in of(document) if "trials" in one))


def _assessment(chance: Random, document: Document) -> Any:
    return _pick(chance, own_bodies(document, "assessment"))


def _days_before(chance: Random, *ages: int) -> str:
    return (date.fromisoformat(TODAY) - timedelta(days=chance.choice(ages))).isoformat()


def a_value_just_short(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    step = builders.quantity(chance.choice((1, 3) if one.get("test") not in builders.UNITS else ("0.01", "0.4", "9")))
    for trial in one.get("trials", ()):
        if "value" in trial:
            worse = trial["value"] + (step if one["test"] in LOWER_IS_BETTER else -step)
            trial["value"] = (
                min(max(worse, 0), 10) if one["test"] in ("pain_worst_24h", "confidence") else max(worse, 0)
            )


def a_value_far_off(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    for trial in one.get("trials", ()):
        if "value" in trial:
            trial["value"] = worst_value(one["test"])


def more_pain(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    if one and one["test"] not in ("pain_worst_24h", "confidence"):
        one["pain"] = chance.choice((3, 5, 6))


def more_instability(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    if one.get("test") in builders.HOPS:
        one["instability"] = chance.choice((3, 8))


def an_answer_of_a_test_left_out(chance: Random, document: Document) -> None:
    _measured(chance, document).pop(chance.choice(("pain", "instability")), None)


def an_invalid_trial(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    places = valid_trials(one)
    if places:
        place = chance.choice(places[::-1])
        one["trials"][place] = {"valid": False, "invalid_because": chance.choice(CAUSES)}


def a_trial_more(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    if "trials" in one and len(one["trials"]) == 3:
        bad = {**one["trials"][0], "valid": False, "invalid_because": chance.choice(CAUSES)}
        one["trials"].insert(chance.randint(0, 3), chance.choice((one["trials"][0], bad)))


def no_result(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    result, because = chance.choice(
        (
            ("not_done", "time"),
            ("not_done", "no_equipment"),
            ("deferred", "not_safe_today"),
            ("unable", "could_not"),
            ("unable", "pain"),
            ("unable", "giving_way"),
        )
    )
    if one:
        leave_unmeasured(one, result, because)


def no_dynamometer(_chance: Random, document: Document) -> None:
    for _, one in measurements(document):
        if one["test"] == "evertor_strength" and "trials" in one:
            leave_unmeasured(one, "not_done", "no_equipment")


def a_measurement_left_out(chance: Random, document: Document) -> None:
    body = _assessment(chance, document)
    if body.get("measurements"):
        body["measurements"].pop(chance.randrange(len(body["measurements"])))


def a_side_left_out(chance: Random, document: Document) -> None:
    side = chance.choice(("left", "right"))
    body = _assessment(chance, document)
    body["measurements"] = [one for one in body["measurements"] if one.get("side") != side]


def another_test(chance: Random, document: Document) -> None:
    body = _assessment(chance, document)
    test = chance.choice(tuple(EXTRA))
    known = {one["test"] for _, one in measurements(document)}
    if test not in known:
        sides = (None,) if test in ("t_test_time", "instability_score", "readiness_score") else ("left", "right")
        changes = {"pain": chance.choice((0, 3, 6))} if test in builders.UNITS else {"pain": None}
        body["measurements"] += [builders.measured(test, side, *EXTRA[test], **changes) for side in sides]


def summed_up_by_the_sender(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    if len(one.get("trials", ())) == 3 and "value" in one["trials"][0]:
        one["value"] = one.pop("trials")[0]["value"]
        one["trials_summarised"] = chance.choice((3, 1, 2))


def another_setup(chance: Random, document: Document) -> None:
    one = _measured(chance, document)
    if one:
        one["setup"] = chance.choice(({"support": "tape"}, {"footwear": "barefoot"}, {"position": "lying"}))


def setup_not_told(chance: Random, document: Document) -> None:
    setup = _assessment(chance, document).get("setup", {})
    setup.pop(chance.choice(("support", "footwear", "instrument")), None)


def another_session_check(chance: Random, document: Document) -> None:
    body = _pick(chance, own_bodies(document))
    if "session_check" in body:
        body["session_check"].update(
            chance.choice(
                (
                    {"pain_at_rest": 2},
                    {"pain_at_rest": 6},
                    {"limp": True},
                    {"swelling_increased": True},
                    {"medication_24h": "paracetamol"},
                    {"medication_24h": "local_anaesthetic"},
                )
            )
        )


def a_check_not_answered(chance: Random, document: Document) -> None:
    check = _pick(chance, own_bodies(document)).get("session_check", {})
    check.pop(chance.choice(("limp", "pain_at_rest", "medication_24h")), None)


def a_finding(chance: Random, document: Document) -> None:
    """Answer a referral question with yes; what became of it is recorded before the judged battery, or not."""
    found = [(place.entry, body) for place, body in own_bodies(document, "assessment") if "referral" in body]
    entry, body = chance.choice(found[::-1]) if found else (0, {})
    if not body:
        return
    question = chance.choice(("cannot_take_four_steps", "growth_plate_tender"))
    body["referral"][question] = True
    for word in chance.choice((("ruled_out",), ("released",), ("confirmed",), ("confirmed", "released"), ())):
        resolution = {"finding": question, "as": word, "at": body["performed_at"]}
        document["entries"].insert(entry + 1, {"finding_resolution": resolution})


def a_referral_question_not_answered(chance: Random, document: Document) -> None:
    question = chance.choice(("cannot_take_four_steps", "growth_plate_tender", "rotation_stress_painful"))
    for _, body in own_bodies(document, "assessment"):
        body.get("referral", {}).pop(question, None)


def a_screen_only_once(_chance: Random, document: Document) -> None:
    found = [body for _, body in own_bodies(document, "assessment") if "referral" in body]
    for body in found[1:]:
        del body["referral"]


def something_happened(chance: Random, document: Document) -> None:
    body = _pick(chance, own_bodies(document))
    on = _days_before(chance, 1, 0, 2, 4, 6, 9, 13)
    if "since_last" in body and on <= body["performed_at"][:10]:
        event = {"kind": chance.choice(("setback", "giving_way", "re_injury")), "on": on}
        body["since_last"]["events"] = [*body["since_last"].get("events", ()), event]


def an_event(chance: Random, document: Document) -> None:
    kind = chance.choice(("setback", "giving_way", "re_injury"))
    on = _days_before(chance, 0, 1, 3, 8, 13)
    when = chance.choice(({"on": on}, {"at": f"{on}T12:00:00+01:00"}, {"at": f"{on}T23:50:00+01:00"}))
    document["entries"].insert(chance.randint(0, 1), {"event": {"kind": kind, **when}})


def since_last_not_asked(chance: Random, document: Document) -> None:
    _assessment(chance, document).get("since_last", {}).pop("events", None)


def a_bad_session(chance: Random, document: Document) -> None:
    one = _pick(chance, sessions(document))
    if one:
        one.update(chance.choice(({"worst_pain": 3}, {"worst_pain": 6}, {"next_morning_rise": 2})))
        one.update(chance.choice(({}, {}, {"medication": "paracetamol"})))


def a_session_not_answered(chance: Random, document: Document) -> None:
    one = _pick(chance, sessions(document))
    one.pop(chance.choice(("worst_pain", "next_morning_rise", "medication", "minutes", "efforts")), None)


def a_session_left_out(chance: Random, document: Document) -> None:
    for _, body in own_bodies(document):
        told = body.get("since_last", {}).get("sessions", [])
        if told:
            told.pop(chance.randrange(len(told)))


def a_session_more(chance: Random, document: Document) -> None:
    body = _pick(chance, own_bodies(document))
    on = _days_before(chance, 1, 2, 4, 9, 12)
    if "since_last" in body and on <= body["performed_at"][:10]:
        kind, dose = chance.choice(
            (
                ("full_at_match_speed", {"minutes": 30}),
                ("modified", {"minutes": 10}),
                ("full", {"minutes": 30}),
                ("cutting_drill", {"efforts": 1}),
                ("easy_run", {}),
            )
        )
        pain = chance.choice((0, 3, 6, None))
        rise = chance.choice((0, 2, None))
        one = builders.session(kind, on, worst_pain=pain, next_morning_rise=rise, **dose)
        body["since_last"]["sessions"] = [*body["since_last"].get("sessions", ()), one]


def another_other_side(chance: Random, document: Document) -> None:
    other = chance.choice(("healthy", "previously_injured", "symptomatic", "unknown"))
    at = {"on": _days_before(chance, 1, 9)}
    document["entries"].insert(chance.randint(0, 1), {"event": {"kind": "corrected", "other_side": other, **at}})


def a_second_episode(chance: Random, document: Document) -> None:
    side = chance.choice(("right", "left"))
    episode = {
        "ref": "second",
        "condition": "lateral_ankle_sprain",
        "involved_side": side,
        "onset_on": "2026-10-01",
        "other_side": "unknown",
    }
    trouble = chance.choice(("none", "none", "finding", "stop"))
    body = builders.battery(
        "KB-second",
        "2026-10-05T09:00:00+02:00",
        [builders.measured("heel_rise_repetitions", side, 3, pain=6 if trouble == "stop" else 0)],
        episode=episode,
        since_last={"events": [{"kind": "giving_way", "on": "2026-10-05"}]},
    )
    body["battery"]["referral"]["cannot_take_four_steps"] = trouble == "finding"
    document["entries"].insert(0, body)
    if chance.choice((False, True)):
        closing = {"kind": "closed", "cause": "back in sport", "episode": "second", "on": "2026-10-20"}
        document["entries"].insert(1, {"event": closing})


def an_exception(chance: Random, document: Document) -> None:
    gate = builders.criteria().gates[chance.choice(("team_training", "competition", "hop_and_cut", "running"))]
    exception = {
        "stage": gate.id,
        "criterion": chance.choice(gate.asks),
        "at": "2026-11-02T09:00:00+01:00",
        "until": chance.choice(("2026-12-01", "2026-11-20", "2026-11-19")),
    }
    document["entries"].insert(0, {"exception": exception})


def a_battery_in_error(chance: Random, document: Document) -> None:
    """Record a battery that is worse in every way, and void it or not."""
    wrong = [builders.measured("side_hop_time", "left", 90, 90, 90, pain=8), builders.measured("confidence", None, 0)]
    on = _days_before(chance, 1, 10)
    body = builders.battery("KB-wrong", f"{on}T10:00:00+01:00", wrong, since_last={"events": []})
    document["entries"].insert(0, body)
    if chance.choice((True, False)):
        document["entries"].insert(1, {"void": {"entry": "KB-wrong", "at": f"{on}T11:00:00+01:00"}})


def a_late_morning(chance: Random, document: Document) -> None:
    """Tell the morning after an assessment once more, two days after it."""
    body = _assessment(chance, document)
    if body:
        at = datetime.fromisoformat(body["performed_at"]) + timedelta(days=chance.choice((1, 2)), hours=-9)
        check = {"pain_at_rest": chance.choice((0, 2, 6)), "medication_24h": chance.choice(("none", "paracetamol"))}
        entry = builders.follow_up(body["ref"], at.isoformat(), f"{body['ref']}-late", session_check=check)
        position = next(place.entry for place, one in own_bodies(document) if one is body)
        document["entries"].insert(position + 1, entry)


def a_morning_left_out(_chance: Random, document: Document) -> None:
    if "follows" in document["entries"][-1].get("battery", {}):
        document["entries"].pop()


def a_young_athlete(chance: Random, document: Document) -> None:
    document["athlete"] = chance.choice(
        ({"birth_year": 2009}, {"birth_year": 2012, "birth_month": 11}, {"birth_year": 2012}, {})
    )


def a_bad_baseline(chance: Random, document: Document) -> None:
    """Record a baseline that the values of now may fall short of, or one under other conditions."""
    values = {"side_hop_time": ("8", "9.5"), "evertor_strength": ("230", "200"), "t_test_time": ("10", "12")}
    test = chance.choice(tuple(values))
    value = chance.choice(values[test])
    sides = (None,) if test == "t_test_time" else ("left", "right")
    setup = {**builders.SETUP, **chance.choice(({}, {"arms": "on_hips"}, {"position": "lying"}))}
    many = [builders.measured(test, side, value, value, value, pain=chance.choice((0, 6))) for side in sides]
    document["entries"].insert(0, builders.baseline("KB-base-2", "2026-09-01T18:00:00+02:00", many, setup=setup))


def a_visit_more(chance: Random, document: Document) -> None:
    """Test something again on another visit, before the last one of all."""
    one = _measured(chance, document)
    if one and one["test"] not in ("pain_worst_24h", "confidence"):
        again = [{**deepcopy(two), "pain": 0} for _, two in measurements(document) if two["test"] == one["test"]]
        sides = {two.get("side"): two for two in again}
        chosen = [two for two in sides.values() if not chance.randrange(3) or two.get("side") == one.get("side")]
        if chance.choice((False, True)):
            for two in chosen:
                two["trials"] = two.get("trials", [])[:1] * 3
        on = _days_before(chance, 0, 1, 3, 5, 10)
        body = builders.battery("KB-visit", f"{on}T00:05:00+01:00", [two for two in chosen if _is_whole(two)])
        body["battery"]["since_last"] = {"events": []}
        document["entries"].insert(0, body)


def _is_whole(one: dict[str, Any]) -> bool:
    most = {"heel_rise_repetitions": 1, "single_hops_on_the_spot": 3}.get(one["test"], 6)
    return 0 < len(one.get("trials", ())) <= most


def a_correction(chance: Random, document: Document) -> None:
    """Correct what the first battery said of the episode."""
    fact = chance.choice(({"involved_side": "both"}, {"involved_side": "right"}, {"onset_on": "2026-11-08"}))
    event = {"kind": "corrected", **fact, "on": _days_before(chance, 1, 12)}
    document["entries"].insert(chance.randint(0, 1), {"event": event})


def another_condition(chance: Random, document: Document) -> None:
    event = {"kind": "reclassified", "condition": "high_ankle_sprain", "on": _days_before(chance, 1, 12)}
    document["entries"].insert(0, {"event": event})


def a_session_told_again(chance: Random, document: Document) -> None:
    """Report a session a second time, otherwise."""
    body = _pick(chance, own_bodies(document))
    told = body.get("since_last", {}).get("sessions", ())
    if told:
        again = deepcopy(chance.choice(told))
        key = chance.choice(("worst_pain", "next_morning_rise", "medication", "minutes"))
        if key in again:
            again[key] = {"worst_pain": 4, "next_morning_rise": 2, "medication": "opioid", "minutes": 5}[key]
        body["since_last"]["sessions"].append(again)


def a_battery_superseded(chance: Random, document: Document) -> None:
    """Correct a battery: one test of it was better, worse, or not done."""
    found = [(place.entry, body) for place, body in own_bodies(document, "assessment") if body.get("measurements")]
    if found:
        entry, body = chance.choice(found[::-1])
        again = deepcopy(body)
        again["supersedes"] = {"ref": body["ref"]}
        one = chance.choice(again["measurements"])
        if "trials" in one and one["test"] not in ("pain_worst_24h", "confidence"):
            one["trials"] = [{"value": worst_value(one["test"])}] * len(one["trials"])
        document["entries"].insert(entry + 1, {"battery": again})


def quiet_mornings(chance: Random, document: Document) -> None:
    """Tell the morning after every visit but the last."""
    for place, body in list(own_bodies(document, "assessment"))[-2::-1]:
        at = datetime.fromisoformat(body["performed_at"]) + timedelta(days=1)
        check = {"pain_at_rest": chance.choice((0, 1, 2)), "medication_24h": chance.choice(("none", "none", "other"))}
        entry = builders.follow_up(
            body["ref"], at.isoformat(), f"{body['ref']}-quiet-{place.entry}", session_check=check
        )
        document["entries"].insert(place.entry + 1, entry)


TROUBLES: tuple[Trouble, ...] = (
    a_value_just_short,
    a_value_far_off,
    more_pain,
    more_instability,
    an_answer_of_a_test_left_out,
    an_invalid_trial,
    a_trial_more,
    no_result,
    no_dynamometer,
    a_measurement_left_out,
    a_side_left_out,
    another_test,
    summed_up_by_the_sender,
    another_setup,
    setup_not_told,
    another_session_check,
    a_check_not_answered,
    a_finding,
    a_referral_question_not_answered,
    a_screen_only_once,
    something_happened,
    an_event,
    since_last_not_asked,
    a_bad_session,
    a_session_not_answered,
    a_session_left_out,
    a_session_more,
    another_other_side,
    a_second_episode,
    an_exception,
    a_battery_in_error,
    a_late_morning,
    a_morning_left_out,
    a_young_athlete,
    a_bad_baseline,
    a_visit_more,
    a_correction,
    another_condition,
    a_session_told_again,
    a_battery_superseded,
    quiet_mornings,
)
