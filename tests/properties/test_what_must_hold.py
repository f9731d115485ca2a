"""What holds a gate whatever else was shown: findings, setbacks, newer worse results, stops, swapped sides."""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

from hypothesis import assume, event, given, reject
from hypothesis import strategies as st

from service.domain.criteria import Criterion
from tests import builders
from tests.builders import criteria
from tests.properties.changes import of_judged, pick, stop_a_trial, with_change, with_entries
from tests.properties.judging import answers, explained
from tests.properties.places import (
    OF_THE_PERSON,
    involved,
    own_bodies,
    valid_trials,
    worst_value,
)
from tests.properties.stories import OPPOSITE, Story, day, moment, stories

ANY = stories(troubles=(0, 3))
NEARLY_PASSING = stories(troubles=(0, 1))
LATER = moment(-2, "12:00")


def plain_criteria(stage: str) -> Iterator[Criterion]:
    """Yield the plain criteria that a stage asks itself."""
    for key in criteria().gates[stage].asks:
        one = criteria().criteria[key]
        if isinstance(one, Criterion):
            yield one


def members(stage: str) -> list[Criterion]:
    """Return the plain criteria that a stage asks, itself, by a part or by a route."""
    found = (criteria().criteria[key] for key in criteria().gates[stage].members)
    return [one for one in found if isinstance(one, Criterion)]


def reads_loading(stage: str) -> bool:
    return any(test.is_loading for one in members(stage) for test in (*one.tests, *one.after))


# The verdict itself


@given(stories(troubles=(0, 6)))
def test_a_pass_has_every_asked_criterion_met_or_excepted_and_no_hold(story):
    for verdict in answers(story).verdicts.values():
        asked = [row for row in verdict["reasons"] if row[1] is None]
        open_ = [row for row in asked if row[2] != "met" and not row[6]]
        event(f"{verdict['stage']} {verdict['outcome']}")

        assert [row[0] for row in asked] == list(criteria().gates[verdict["stage"]].asks)
        assert (verdict["outcome"] == "pass") == (not open_ and not verdict["holds"])
        assert (verdict["outcome"] == "pass") == (verdict["hold_because"] == [])


@given(stories(troubles=(0, 6)))
def test_holds_and_their_kinds_are_listed_once_and_in_order(story):
    kinds = ["finding_open", "not_today", "outside_scope", "not_met", "not_assessed", "awaiting_response"]
    for verdict in answers(story).verdicts.values():
        holds = [(kinds.index(kind), code, about) for kind, code, about in verdict["holds"]]
        because = [kinds.index(kind) for kind in verdict["hold_because"]]

        assert holds == sorted(set(holds))
        assert because == sorted(set(because))
        assert {place for place, _, _ in holds} <= set(because)


@given(stories(troubles=(0, 6)), st.sampled_from(criteria().stages))
def test_every_verdict_can_be_explained(story, stage):
    """By the way that a file of entries is evaluated, which gives the same verdict as these laws judge."""
    expected = answers(story).verdicts[stage]
    found = explained(story, stage)

    assert found is not None
    assert found.verdict == expected
    assert found.advice["summary"]
    assert len(found.advice["holds"]) == len(expected["holds"])
    assert expected["outcome"] == "hold" or found.advice["retest"] is None


@given(NEARLY_PASSING, st.data())
def test_an_exception_takes_one_criterion_out_of_one_gate_and_touches_nothing_else(story, data):
    """Given before the last entry, which tells of no other injury: an exception ends with that."""
    *before_last, last = story.document["entries"]
    assume("re_injury" not in str(last) and "reclassified" not in str(last))
    gate = criteria().gates[data.draw(st.sampled_from(criteria().stages[1:]))]
    key = data.draw(st.sampled_from(gate.asks))
    waiver = {"stage": gate.id, "criterion": key, "at": moment(20), "until": day(-5)}
    excepted = answers(with_entries(story, [*before_last, {"exception": waiver}, last]))

    for stage, before in answers(story).verdicts.items():
        after = excepted.verdicts[stage]
        flags = [(row[0] == key and row[1] is None and stage == gate.id) or row[6] for row in before["reasons"]]
        assert after["holds"] == before["holds"]
        assert [row[:6] for row in after["reasons"]] == [row[:6] for row in before["reasons"]]
        assert [row[6] for row in after["reasons"]] == flags


# Findings


@given(NEARLY_PASSING, st.data())
def test_an_open_finding_holds_every_gate_until_a_named_person_closes_it(story, data):
    resolved = {
        one["finding_resolution"]["finding"] for one in story.document["entries"] if "finding_resolution" in one
    }
    question = data.draw(st.sampled_from([one.id for one in criteria().referral if one.id not in resolved]))
    stored = Story(story.document, LATER)
    told = (place for place, body in own_bodies(stored.document, "assessment") if "referral" in body)
    found = with_change(stored, pick(data, told), lambda body: body["referral"].update({question: True}))
    entries = found.document["entries"]
    closing = data.draw(st.sampled_from(["ruled_out", "released"]))
    closed = with_entries(found, [*entries, resolution(question, closing)])
    reopened = with_entries(found, [*entries, resolution(question, closing), resolution(question, "confirmed")])
    hold = ["finding_open", "finding_open", question]

    assert all(hold in verdict["holds"] for verdict in answers(found).verdicts.values())
    assert all(hold not in verdict["holds"] for verdict in answers(closed).verdicts.values())
    assert all(hold in verdict["holds"] for verdict in answers(reopened).verdicts.values())


def resolution(question: str, word: str) -> dict[str, Any]:
    return {"finding_resolution": {"finding": question, "as": word, "at": moment(-1, "20:00")}}


@given(NEARLY_PASSING, st.sampled_from(["ruled_out", "released"]))
def test_a_finding_closed_as_no_finding_leaves_the_verdict_as_it_was(story, closing):
    stored = Story(story.document, LATER)
    places = [place for place, body in own_bodies(stored.document, "assessment") if "referral" in body]
    found = with_change(stored, places[-1], lambda body: body["referral"].update(navicular_tender=True))
    closed = with_entries(found, [*found.document["entries"], resolution("navicular_tender", closing)])

    assert answers(closed).findings() == answers(stored).findings()


@given(NEARLY_PASSING, st.booleans())
def test_an_open_finding_of_another_open_episode_holds_every_gate(story, is_closed):
    other = {**builders.EPISODE, "ref": "second", "onset_on": "2026-10-02", "involved_side": "left"}
    screen = {**builders.referral_answers(), "navicular_tender": True}
    told = {"episode": other, "referral": screen, "since_last": {"events": []}}
    found = [builders.battery("KB-other", "2026-10-03T09:00:00+02:00", [], **told)]
    if is_closed:
        found.append({"event": {"kind": "closed", "cause": "healed", "episode": "second", "on": "2026-10-05"}})
    held = answers(with_entries(story, [*found, *story.document["entries"]]))
    hold = ["finding_open", "finding_open", "navicular_tender"]

    assert all((hold in verdict["holds"]) is not is_closed for verdict in held.verdicts.values())


# Setbacks


@given(ANY, st.sampled_from(["setback", "giving_way", "re_injury"]), st.booleans())
def test_nothing_measured_before_a_setback_supports_a_gate_after_it(story, kind, is_at_a_moment):
    when = {"at": LATER} if is_at_a_moment else {"on": day(-2)}
    stored = Story(story.document, moment(-2, "18:00"))
    after = answers(with_entries(stored, [*story.document["entries"], {"event": {"kind": kind, **when}}]))

    for verdict in after.verdicts.values():
        met = [row[0] for row in verdict["reasons"] if row[2] == "met"]
        assert [key for key in met if rests_on_what_was_shown(key)] == []


def rests_on_what_was_shown(key: str) -> bool:
    one = criteria().criteria[key]
    return isinstance(one, Criterion) and one.subject in ("test", "tests", "sessions", "question")


@given(NEARLY_PASSING)
def test_a_confirmed_finding_is_a_setback_from_the_day_it_was_raised(story):
    stored = Story(story.document, LATER)
    last = max(own_bodies(stored.document, "assessment"), key=lambda one: one[1]["performed_at"])[0]
    found = with_change(stored, last, lambda body: body.update(referral={"navicular_tender": True}))
    words = [resolution("navicular_tender", word) for word in ("confirmed", "released")]
    after = answers(with_entries(found, [*found.document["entries"], *words]))

    for verdict in after.verdicts.values():
        met = [row[0] for row in verdict["reasons"] if row[2] == "met"]
        assert [key for key in met if rests_on_what_was_shown(key)] == []


# Newer results


@given(ANY, st.data(), st.sampled_from(["running", "hop_and_cut", "team_training", "competition"]))
def test_a_newer_worse_result_displaces_an_older_better_one(story, data, stage):
    """Where both sides are involved a route may judge another test, so these episodes are left out."""
    sides = story.document["episode"]["involved_side"]
    assume(sides != "both")
    named = [one for one in plain_criteria(stage) if one.subject == "test"]
    one = data.draw(st.sampled_from(named))
    values = {sides: worst_value(one.test.id), OPPOSITE[sides]: 10}
    worse = [
        builders.measured(one.test.id, side, *[values.get(side, worst_value(one.test.id))] * one.test.trials.minimum)
        for side in ((None,) if one.test.id in OF_THE_PERSON else (sides, OPPOSITE[sides]))
    ]
    newer = builders.battery("KB-newer", moment(-3), worse, since_last={"events": []})
    after = answers(with_entries(Story(story.document, None), [*story.document["entries"], newer])).verdicts[stage]
    row = next(row for row in after["reasons"] if row[0] == one.id and row[1] is None)

    assert row[2] != "met"
    assert after["outcome"] == "hold" or row[6]


# Stops


@given(NEARLY_PASSING, st.data(), st.booleans())
def test_a_stop_in_the_judged_occasion_holds_every_gate_that_reads_a_loading_test(story, data, is_pain):
    tests = criteria().catalogue.tests
    loading = (one for one in of_judged(story, involved(story.document)) if tests[one[1]["test"]].is_loading)
    place = pick(data, (place for place, one in loading if valid_trials(one) and "trials" in one))
    because, code = ("pain", "pain_beyond_limit") if is_pain else ("giving_way", "gave_way")
    after = answers(with_change(story, place, lambda one: stop_a_trial(data, one, because)))
    test = place.of(story.document)["test"]
    codes = {code, "gave_way"}

    for stage, verdict in after.verdicts.items():
        found = [hold for hold in verdict["holds"] if hold[0] == "not_met" and hold[2] == test and hold[1] in codes]
        assert bool(found) == reads_loading(stage)


@given(NEARLY_PASSING, st.data(), st.booleans())
def test_pain_in_a_test_that_nobody_asks_holds_every_gate_that_reads_a_loading_test(story, data, is_trial):
    side = data.draw(st.sampled_from(sides_involved(story)))
    place = pick(data, of_judged_batteries(story))
    trials = {"trials": [{"valid": False, "invalid_because": "pain"}]} if is_trial else {"pain": 6}
    extra = builders.measured("anterior_reach", side, 70, 70, 70, **trials)

    def add(body):
        kept = [one for one in body.get("measurements", ()) if one["test"] != "anterior_reach"]
        body["measurements"] = [*kept, extra]

    assume(not any(one["test"] == "anterior_reach" for _, one in involved(story.document)))
    after = answers(with_change(story, place, add))

    for stage, verdict in after.verdicts.items():
        assert (["not_met", "pain_beyond_limit", "anterior_reach"] in verdict["holds"]) == reads_loading(stage)


def sides_involved(story: Story) -> list[str]:
    return list(answers(story).evidence.facts.involved)


def of_judged_batteries(story: Story) -> Iterator[Any]:
    return (place for place, _ in of_judged(story, own_bodies(story.document, "assessment")))


@given(NEARLY_PASSING, st.sampled_from(["single_hop_distance", "anterior_reach", "triple_hop_distance"]))
def test_a_later_stop_for_pain_holds_every_gate_that_reads_the_test_or_its_classes(story, test):
    """Told two days after the judged occasion, so that nothing has ended it."""
    stopped = builders.measured(test, sides_involved(story)[0], 60, 60, 60, pain=7)
    later = builders.battery("KB-stop", moment(-3), [stopped], since_last={"events": []})
    empty = builders.battery("KB-none", moment(-4), [], since_last={"events": []})
    after = answers(with_entries(Story(story.document, None), [*story.document["entries"], later, empty]))
    known = criteria().catalogue.tests
    classes = known[test].classes

    for stage, verdict in after.verdicts.items():
        read = {one.id: one for member in members(stage) for one in (*member.tests, *member.after)}
        concerned = test in read or any(one.classes & classes for one in read.values())
        assert (["not_met", "pain_beyond_limit", test] in verdict["holds"]) == concerned


@given(NEARLY_PASSING, st.data())
def test_the_value_of_a_test_that_no_criterion_of_a_gate_names_has_no_effect_on_it(story, data):
    place = pick(data, (place for place, one in involved(story.document) if "trials" in one))
    one = place.of(story.document)
    extreme = data.draw(st.booleans())

    def set_values(measurement):
        for trial in measurement["trials"]:
            if "value" in trial:
                trial["value"] = worst_value(measurement["test"]) if extreme else trial["value"] + 1

    assume(one["test"] not in ("pain_worst_24h", "confidence"))
    after = answers(with_change(story, place, set_values)).findings()

    for stage, before in answers(story).findings().items():
        if not any(member.subject == "test" and member.test.id == one["test"] for member in members(stage)):
            assert after[stage] == before


# Sides


@given(NEARLY_PASSING, st.booleans(), st.integers(115, 300), st.integers(115, 300))
def test_sides_that_look_swapped_hold_until_they_are_confirmed(story, is_confirmed, first, second):
    side = story.document["episode"]["involved_side"]
    corrected = [one["event"] for one in story.document["entries"] if "event" in one]
    assume(side != "both" and not any("involved_side" in event for event in corrected))
    pairs = [
        builders.measured(test, which, *([value] * 3), pain=0)
        for test, above in (("evertor_strength", first), ("triple_hop_distance", second))
        for which, value in ((side, above), (OPPOSITE[side], 100))
    ]
    swapped = builders.battery("KB-swap", moment(-3), pairs, confirmed=None)
    said = {"confirmation": {"battery": "KB-swap", "confirms": ["sides"], "at": moment(-3, "17:00")}}
    entries = [*story.document["entries"], swapped, *([said] if is_confirmed else [])]
    after = answers(with_entries(Story(story.document, moment(-3, "18:00")), entries)).verdicts
    hold = ["not_assessed", "sides_unconfirmed", day(-3)]

    assert all((hold in after[stage]["holds"]) is not is_confirmed for stage in ("team_training", "competition"))


@given(stories(troubles=(0, 1)), st.data())
def test_an_unconfirmed_battery_never_passes_where_a_confirmed_one_holds(story, data):
    place = pick(data, (place for place, _ in own_bodies(story.document, "assessment")))
    unconfirmed = deepcopy(story.document)
    place.of(unconfirmed).pop("confirmed")

    held = answers(story).held()

    assert sorted(held & answers(Story(unconfirmed, story.at)).passed()) == []


# An unreliable or unknown other side


@given(NEARLY_PASSING)
def test_an_unknown_other_side_never_passes_where_a_healthy_one_holds(story):
    if story.document["episode"]["other_side"] != "healthy":
        reject()
    unknown = Story({**story.document, "episode": {**story.document["episode"], "other_side": "unknown"}}, story.at)

    assert sorted(answers(story).held() & answers(unknown).passed()) == []
