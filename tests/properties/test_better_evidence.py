"""Better evidence, or bad evidence that no longer counts, never turns a pass into a hold."""

from decimal import Decimal

from hypothesis import assume, given, reject
from hypothesis import strategies as st

from tests import builders
from tests.properties.changes import pick, with_change, without_tests
from tests.properties.judging import answers, assert_no_pass_becomes_a_hold, assert_same
from tests.properties.places import LOWER_IS_BETTER, involved, is_stopped, measurements, own_bodies
from tests.properties.stories import stories

PASSING = stories(troubles=(0, 1))
AFTER_A_SETBACK = stories(troubles=(0, 2), setbacks=(8, 9, 14))
MOST = {"confidence": 10, "pain_worst_24h": 0, "foot_lifts_eyes_closed": 0}
STEPS = tuple(map(Decimal, ("0.01", "0.3", "1", "2.5", "40")))


def better(test: str, value: Decimal, step: Decimal) -> Decimal:
    """Return a better value that is still possible; whole where the test counts."""
    if test not in builders.UNITS:
        step = step.to_integral_value() or Decimal(1)
    if test in LOWER_IS_BETTER:
        least = Decimal("0.1") if test in builders.UNITS else Decimal(0)
        return max(value - step, min(least, value))
    most = {"confidence": 10, "instability_score": 30, "readiness_score": 100, "weight_bearing_lunge_distance": 40}
    return min(value + step, max(Decimal(most.get(test, 149)), value))


@given(PASSING, st.data(), st.booleans())
def test_a_better_measurement_of_the_involved_side_never_turns_a_pass_into_a_hold(story, data, is_every_trial):
    place = pick(data, (place for place, one in involved(story.document) if "trials" in one or "value" in one))
    step = data.draw(st.sampled_from(STEPS))

    def improve(one):
        trials = [trial for trial in one.get("trials", [one]) if "value" in trial]
        chosen = trials if is_every_trial or not trials else [data.draw(st.sampled_from(trials))]
        for trial in chosen:
            trial["value"] = better(one["test"], Decimal(trial["value"]), step)

    assert_no_pass_becomes_a_hold(story, with_change(story, place, improve))


@given(PASSING, st.data())
def test_a_stop_less_never_turns_a_pass_into_a_hold(story, data):
    """Pain answered lower: in tests, in sessions and in the morning it can only help."""
    place = pick(data, (place for place, one in involved(story.document) if one.get("pain", 0) > 0))

    assert_no_pass_becomes_a_hold(story, with_change(story, place, lambda one: one.update(pain=0)))


@given(AFTER_A_SETBACK, st.data(), st.booleans())
def test_taking_away_what_was_measured_before_a_setback_never_turns_a_pass_into_a_hold(story, data, is_everything):
    """What had lifted a stop aside: it outlives a setback. A trial that gave way is the setback, so it stays."""
    evidence = answers(story).evidence
    gone = {battery for one in evidence.occasions if one.cancelled for battery in one.batteries}
    refs = {body["ref"] for place, body in own_bodies(story.document, "assessment") if str(place.entry + 1) in gone}
    tests = sorted({one["test"] for place, one in measurements(story.document) if str(place.entry + 1) in gone})
    if not tests:
        reject()
    chosen = set(tests) if is_everything else {data.draw(st.sampled_from(tests))}

    less = without_tests(story, lambda one: one["test"] in chosen and not is_stopped(one), refs)

    for stage in answers(story).passed():
        after = answers(less).verdicts[stage]
        assert [hold for hold in after["holds"] if hold[1] != "pain_beyond_limit"] == []
        assert [row for row in after["reasons"] if row[1] is None and row[2] != "met" and not row[6]] == []


@given(AFTER_A_SETBACK)
def test_values_measured_before_a_setback_decide_nothing_after_it(story):
    """However good they are: only their stops still count."""
    evidence = answers(story).evidence
    gone = {battery for one in evidence.occasions if one.cancelled for battery in one.batteries}
    places = [place for place, one in measurements(story.document) if str(place.entry + 1) in gone and "trials" in one]
    assume(places)
    perfect = story
    for place in places:
        perfect = with_change(perfect, place, make_perfect)

    assert_same(story, perfect)


def make_perfect(one):
    for trial in one["trials"]:
        if "value" in trial:
            trial["value"] = better(one["test"], Decimal(trial["value"]), Decimal(40))
