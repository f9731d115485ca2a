"""Worse, less or later-masked evidence never turns a hold into a pass: each law starts from files near a pass."""

from dataclasses import replace
from typing import Any

from hypothesis import given, reject
from hypothesis import strategies as st

from tests.builders import criteria
from tests.properties.changes import (
    has_usable_other_side,
    judged_refs,
    of_judged,
    pick,
    stop_a_trial,
    with_change,
    without_tests,
)
from tests.properties.judging import answers, assert_no_hold_becomes_a_pass
from tests.properties.places import (
    Document,
    Place,
    involved,
    is_involved,
    is_stopped,
    leave_unmeasured,
    measurements,
    own_bodies,
    sessions,
    valid_trials,
)
from tests.properties.stories import stories

NEAR_A_PASS = stories(troubles=(1, 3))
MEDICATION = ("none", "paracetamol", "anti_inflammatory", "opioid", "other", "local_anaesthetic")
MOST = 10
STAY = 5


# More pain


@given(NEAR_A_PASS, st.data())
def test_more_pain_in_a_test_never_turns_a_hold_into_a_pass(story, data):
    rated = [place for place, one in involved(story.document) if one.get("pain", MOST) < MOST]
    place = pick(data, rated)
    pain = data.draw(st.integers(place.of(story.document)["pain"] + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.update(pain=pain)))


@given(NEAR_A_PASS, st.data())
def test_more_instability_in_a_hop_never_turns_a_hold_into_a_pass(story, data):
    place = pick(data, (place for place, one in involved(story.document) if one.get("instability", MOST) < MOST))
    felt = data.draw(st.integers(place.of(story.document)["instability"] + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.update(instability=felt)))


@given(NEAR_A_PASS, st.data())
def test_more_pain_over_24_hours_never_turns_a_hold_into_a_pass(story, data):
    rated = (
        Place(place.entry, (*place.path, "trials", 0))
        for place, one in involved(story.document)
        if one["test"] == "pain_worst_24h" and one.get("trials", [{}])[0].get("value", MOST) < MOST
    )
    place = pick(data, rated)
    pain = data.draw(st.integers(int(place.of(story.document)["value"]) + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda trial: trial.update(value=pain)))


@given(NEAR_A_PASS, st.data(), st.sampled_from(["worst_pain", "next_morning_rise"]))
def test_more_pain_in_a_session_or_after_it_never_turns_a_hold_into_a_pass(story, data, answer):
    place = pick(data, (place for place, one in sessions(story.document) if one.get(answer, MOST) < MOST))
    pain = data.draw(st.integers(place.of(story.document)[answer] + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.update({answer: pain})))


@given(NEAR_A_PASS, st.data())
def test_more_pain_on_the_morning_after_never_turns_a_hold_into_a_pass(story, data):
    mornings = (
        Place(place.entry, (*place.path, "session_check"))
        for place, body in own_bodies(story.document, "follow_up")
        if body.get("session_check", {}).get("pain_at_rest", MOST) < MOST
    )
    place = pick(data, mornings)
    pain = data.draw(st.integers(place.of(story.document)["pain_at_rest"] + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda check: check.update(pain_at_rest=pain)))


# Stops


@given(NEAR_A_PASS, st.data())
def test_giving_way_in_a_trial_of_the_judged_occasion_never_turns_a_hold_into_a_pass(story, data):
    tried = of_judged(story, involved(story.document))
    place = pick(data, (place for place, one in tried if valid_trials(one)))

    stopped = with_change(story, place, lambda one: stop_a_trial(data, one, "giving_way"))

    assert_no_hold_becomes_a_pass(story, stopped)


@given(NEAR_A_PASS, st.data())
def test_a_trial_ended_by_pain_on_the_involved_side_never_turns_a_hold_into_a_pass(story, data):
    place = pick(data, (place for place, one in involved(story.document) if valid_trials(one)))

    stopped = with_change(story, place, lambda one: stop_a_trial(data, one, "pain"))

    assert_no_hold_becomes_a_pass(story, stopped)


@given(NEAR_A_PASS, st.data(), st.sampled_from(["pain", "giving_way"]))
def test_a_trial_stopped_on_a_usable_other_side_never_turns_a_hold_into_a_pass(story, data, because):
    document = story.document
    if not has_usable_other_side(document):
        reject()
    others = (one for one in measurements(document) if not is_involved(document, one[1]))
    place = pick(data, (place for place, one in others if valid_trials(one)))

    stopped = with_change(story, place, lambda one: stop_a_trial(data, one, because))

    assert_no_hold_becomes_a_pass(story, stopped)


@given(NEAR_A_PASS, st.data())
def test_more_pain_on_the_other_side_never_turns_a_hold_into_a_pass(story, data):
    document = story.document
    if not has_usable_other_side(document):
        reject()
    others = (one for one in measurements(document) if not is_involved(document, one[1]))
    place = pick(data, (place for place, one in others if one.get("pain", MOST) < MOST))
    pain = data.draw(st.integers(place.of(document)["pain"] + 1, MOST))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.update(pain=pain)))


@given(NEAR_A_PASS, st.data(), st.sampled_from(["could_not", "pain"]))
def test_unable_on_the_involved_side_never_turns_a_hold_into_a_pass(story, data, because):
    """Its ratings are kept; a stop in its trials would be lost with them, so there is none."""
    tried = (place for place, one in involved(story.document) if valid_trials(one) and not is_stopped(one))
    place = pick(data, tried)

    unable = with_change(story, place, lambda one: leave_unmeasured(one, "unable", because))

    assert_no_hold_becomes_a_pass(story, unable)


@given(NEAR_A_PASS, st.data())
def test_a_failed_landing_more_never_turns_a_hold_into_a_pass(story, data):
    hops = ("side_hop_time", "figure_of_eight_hop_time", "triple_hop_distance", "single_hop_distance")
    room = (one for one in involved(story.document) if one[1]["test"] in hops and 0 < len(one[1].get("trials", ())) < 6)
    place = pick(data, (place for place, _ in room))
    failed = {"valid": False, "invalid_because": data.draw(st.sampled_from(["balance", "extra_hop"]))}

    worse = with_change(story, place, lambda one: one["trials"].insert(data.draw(st.integers(0, 1)), failed))

    assert_no_hold_becomes_a_pass(story, worse)


# Masking, and what is not told


@given(NEAR_A_PASS, st.data())
def test_masking_medication_never_turns_a_hold_into_a_pass(story, data):
    checks = (
        (Place(place.entry, (*place.path, "session_check")), "medication_24h")
        for place, body in own_bodies(story.document)
        if body.get("session_check", {}).get("medication_24h") == "none"
    )
    trained = ((place, "medication") for place, one in sessions(story.document) if one.get("medication") == "none")
    found = [*checks, *trained]
    place, answer = data.draw(st.sampled_from(found)) if found else reject()
    taken = data.draw(st.sampled_from(MEDICATION[1:]))

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda told: told.update({answer: taken})))


@given(NEAR_A_PASS, st.data())
def test_a_question_of_the_session_check_left_out_never_turns_a_hold_into_a_pass(story, data):
    """A morning's pain at rest may be a stop by itself, and two stations may tell the same: neither is taken away."""
    told = [
        (Place(place.entry, (*place.path, "session_check")), question)
        for place, body in own_bodies(story.document)
        for question in body.get("session_check", {})
        if body["kind"] == "assessment" or question != "pain_at_rest"
    ]
    place, question = data.draw(st.sampled_from(told)) if told else reject()
    if is_told_twice(story.document, place):
        reject()

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda check: check.pop(question)))


def is_told_twice(document: Document, place: Place) -> bool:
    body = document["entries"][place.entry]["battery"]
    alike = [one for _, one in own_bodies(document, body["kind"]) if _visit(one) == _visit(body)]
    return len([one for one in alike if "session_check" in one]) > 1


def _visit(body: dict[str, Any]) -> tuple[Any, ...]:
    if body["kind"] == "follow_up":
        return (body["follows"]["ref"],)
    return body.get("occasion", body["ref"]), body["performed_at"][:10]


@given(NEAR_A_PASS, st.data())
def test_a_referral_question_left_out_never_turns_a_hold_into_a_pass(story, data):
    """A yes is a finding by itself, so only a no is left out; in one battery, or in all."""
    questions = [one.id for one in criteria().referral]
    question = data.draw(st.sampled_from(questions))
    told = [
        place
        for place, body in own_bodies(story.document, "assessment")
        if body.get("referral", {}).get(question) is False
    ]
    places = told if data.draw(st.booleans()) else told[-1:]
    worse = story
    for place in places:
        worse = with_change(worse, place, lambda body: body["referral"].pop(question))

    assert_no_hold_becomes_a_pass(story, worse)


@given(NEAR_A_PASS, st.data())
def test_since_last_time_not_asked_never_turns_a_hold_into_a_pass(story, data):
    asked = (
        Place(place.entry, (*place.path, "since_last"))
        for place, body in own_bodies(story.document)
        if body.get("since_last", {}).get("events") == []
    )
    place = pick(data, asked)

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda told: told.pop("events")))


@given(NEAR_A_PASS, st.data(), st.sampled_from(["pain", "instability"]))
def test_a_rating_of_a_test_left_out_never_turns_a_hold_into_a_pass(story, data, rating):
    rated = (
        place
        for place, one in involved(story.document)
        if (one["pain"] <= STAY if "pain" in one else True) and rating in one
    )
    place = pick(data, rated)

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.pop(rating)))


@given(NEAR_A_PASS, st.data(), st.sampled_from(["worst_pain", "next_morning_rise", "medication", "minutes", "efforts"]))
def test_an_answer_about_a_session_left_out_never_turns_a_hold_into_a_pass(story, data, answer):
    keys = [(one["kind"], one["on"]) for _, one in sessions(story.document)]
    told = (
        place for place, one in sessions(story.document) if answer in one and keys.count((one["kind"], one["on"])) == 1
    )
    place = pick(data, told)

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda one: one.pop(answer)))


@given(NEAR_A_PASS)
def test_the_birth_year_left_out_never_turns_a_hold_into_a_pass(story):
    ageless = replace(story, document={**story.document, "athlete": {}}, answers=None)

    assert_no_hold_becomes_a_pass(story, ageless)


@given(NEAR_A_PASS, st.data())
def test_a_setup_answer_left_out_never_turns_a_hold_into_a_pass(story, data):
    told = [
        (Place(place.entry, (*place.path, "setup")), key)
        for place, body in own_bodies(story.document, "assessment")
        for key in body.get("setup", {})
    ]
    place, key = data.draw(st.sampled_from(told)) if told else reject()

    assert_no_hold_becomes_a_pass(story, with_change(story, place, lambda setup: setup.pop(key)))


# Tests left out


@given(NEAR_A_PASS, st.data(), st.sampled_from(criteria().stages))
def test_a_test_named_by_an_asked_criterion_left_out_on_both_sides_never_turns_a_hold_into_a_pass(story, data, stage):
    gate = criteria().gates[stage]
    before = answers(story)
    asked = [row[0] for row in before.verdicts[stage]["reasons"] if row[1] is None and not row[6]]
    named = {
        test.id
        for key in gate.asks
        if key in asked
        for one in [criteria().criteria[key]]
        if getattr(one, "class_name", "") is None
        for test in one.tests
    }
    test = data.draw(st.sampled_from(sorted(named))) if named else reject()
    worse = without_tests(story, lambda one: one["test"] == test)

    if before.verdicts[stage]["outcome"] == "hold":
        assert answers(worse).verdicts[stage]["outcome"] == "hold"


@given(NEAR_A_PASS, st.data(), st.booleans(), st.booleans())
def test_the_healthy_side_left_out_never_turns_a_hold_into_a_pass(story, data, is_everywhere, is_every_test):
    document = story.document
    others = {one["test"] for _, one in measurements(document) if not is_involved(document, one)}
    tests = others if is_every_test else {data.draw(st.sampled_from(sorted(others)))} if others else reject()
    refs = None if is_everywhere else judged_refs(story)

    hidden = without_tests(story, lambda one: one["test"] in tests and not is_involved(document, one), refs)

    assert_no_hold_becomes_a_pass(story, hidden)


@given(NEAR_A_PASS, st.data(), st.sampled_from([("not_done", "time"), ("deferred", "not_safe_today")]))
def test_a_usable_other_side_not_measured_never_turns_a_hold_into_a_pass(story, data, said):
    document = story.document
    if not has_usable_other_side(document):
        reject()
    place = pick(data, (p for p, one in measurements(document) if not is_involved(document, one) and "trials" in one))

    undone = with_change(story, place, lambda one: leave_unmeasured(one, *said))

    assert_no_hold_becomes_a_pass(story, undone)
