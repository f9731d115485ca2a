"""How evidence is written down makes no difference: order, stations, sides' names, units, repeats, what comes later."""

import json
from collections.abc import Mapping
from copy import deepcopy
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import assume, given, reject
from hypothesis import strategies as st

from service.domain.canonical import canonical
from service.domain.criteria import Criterion
from service.domain.errors import InvalidDocumentError
from service.domain.fold import fold
from service.domain.judge import judge
from service.domain.numbers import DIGITS
from service.domain.record import Entry, Moment
from service.use_cases.reading_entries import JUDGED, Clock, read_entries
from tests import builders
from tests.builders import criteria
from tests.properties.changes import pick, with_change, with_entries
from tests.properties.judging import answers, assert_same
from tests.properties.places import Place, own_bodies, sessions, worst_value
from tests.properties.stories import Story, day, moment, stories

ANY = stories(troubles=(0, 4))
SIZE = {"mm": "0.1", "m": "100", "[in_i]": "2.54", "kN": "1000", "kgf": "9.80665", "ms": "0.001", "min": "60"}


# Order


@given(ANY, st.randoms(use_true_random=False))
def test_the_order_of_measurements_makes_no_difference(story, chance):
    shuffled = deepcopy(story.document)
    for _, body in own_bodies(shuffled, "assessment", "baseline"):
        if "measurements" in body:
            body["measurements"] = chance.sample(body["measurements"], len(body["measurements"]))

    assert_same(story, Story(shuffled, story.at))


@given(ANY, st.randoms(use_true_random=False))
def test_the_order_of_entries_given_at_once_makes_no_difference(story, chance):
    """Entries that refer to each other keep their order, and so do those before and after the battery posted."""
    entries = story.document["entries"]
    last = max(place for place, entry in enumerate(entries) if "battery" in entry)
    before = in_any_order(chance, entries[:last])
    after = in_any_order(chance, entries[last + 1 :])

    assert_same(story, with_entries(story, [*before, entries[last], *after]))


def in_any_order(chance, entries):
    """Return the entries in an order that keeps apart what refers to each other."""
    left, found = list(entries), []
    while left:
        free = [place for place, one in enumerate(left) if not any(refers(one, before) for before in left[:place])]
        found.append(left.pop(chance.choice(free)))
    return found


def refers(one: Mapping[str, Any], before: Mapping[str, Any]) -> bool:
    """Tell whether an entry refers to one before it: by name, by its finding, or by changing the same facts."""
    kind, said = next(iter(one.items()))
    kind_before, said_before = next(iter(before.items()))
    if kind == kind_before == "event":
        return said["kind"] in ("corrected", "reclassified") and said["kind"] == said_before["kind"]
    if kind == "finding_resolution":
        return kind_before == kind or said_before.get("referral", {}).get(said["finding"]) is True
    named = (said.get("entry"), said.get("follows", {}).get("ref"), said.get("supersedes", {}).get("ref"))
    if kind == "battery" and kind_before == "finding_resolution":
        return said.get("referral", {}).get(said_before["finding"]) is True
    return kind_before == "battery" and said_before["ref"] in named


@given(stories(troubles=(0, 1)), st.booleans(), st.randoms(use_true_random=False))
def test_two_visits_at_the_same_minute_are_refused_in_any_order(story, is_baseline, chance):
    """Neither is the latest, so the order in which they were recorded would decide."""
    pairs = [[builders.measured("heel_rise_repetitions", side, 22) for side in ("left", "right")] for _ in range(2)]
    if is_baseline:
        at = "2026-08-20T18:00:00+02:00"
        visits = [builders.baseline(f"KB-{one}", at, pair) for one, pair in enumerate(pairs, start=100)]
    else:
        at, since = moment(-1, "16:00"), {"events": []}
        visits = [
            builders.battery(f"KB-{one}", at, pair, since_last=since) for one, pair in enumerate(pairs, start=100)
        ]
    entries = chance.sample(visits, 2) + story.document["entries"]

    with pytest.raises(InvalidDocumentError):
        read_entries(builders.loaded({**story.document, "entries": entries}), criteria(), Clock())


# Stations


@given(ANY, st.data(), st.randoms(use_true_random=False))
def test_stations_of_one_occasion_come_to_the_same_as_one_battery(story, data, chance):
    whole = (
        place
        for place, body in own_bodies(story.document, "assessment")
        if "occasion" not in body and not is_named_by_another(story, body["ref"])
    )
    place = pick(data, whole)

    assert_same(story, with_entries(story, in_stations(story, place, chance)))


def is_named_by_another(story: Story, ref: str) -> bool:
    """Tell whether an entry voids or supersedes the battery of this ref."""
    said = [one for entry in story.document["entries"] for one in entry.values()]
    return any(ref in (one.get("entry"), one.get("supersedes", {}).get("ref")) for one in said)


def in_stations(story: Story, place: Place, chance: Any) -> list[Any]:
    """Return the entries with one battery told in two parts, each question and each test in one of them."""
    entries = deepcopy(story.document["entries"])
    first = entries[place.entry]["battery"]
    first["occasion"] = "stations"
    second = {key: one for key, one in first.items() if key in ("kind", "occasion", "setup", "confirmed")}
    second.update(ref=f"{first['ref']}-second", performed_at=first["performed_at"].replace("0:00+", "4:00+"))
    for key in ("session_check", "referral"):
        if key in first:
            first[key], second[key] = divided(chance, first[key])
    first["measurements"], second["measurements"] = divided(chance, first.get("measurements", []))
    if "since_last" in first:
        told = first["since_last"]
        parts = divided(chance, told.get("sessions", []))
        events = {key: one for key, one in told.items() if key == "events"}
        first["since_last"], second["since_last"] = {"sessions": parts[0]}, {**events, "sessions": parts[1]}
    return [*entries[: place.entry + 1], {"battery": second}, *entries[place.entry + 1 :]]


def divided(chance: Any, whole: Any) -> tuple[Any, Any]:
    """Return a list or a map in two parts."""
    if isinstance(whole, dict):
        one = {key: value for key, value in whole.items() if chance.choice((True, False))}
        return one, {key: value for key, value in whole.items() if key not in one}
    marks = [chance.choice((True, False)) for _ in whole]
    parts = [[one for one, mark in zip(whole, marks, strict=True) if mark is wanted] for wanted in (True, False)]
    return parts[0], parts[1]


# Sides and units


@given(ANY)
def test_left_and_right_swapped_in_the_whole_evidence_come_to_the_same(story):
    assert_same(story, Story(mirrored(story.document), story.at))


def mirrored(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: mirrored(one) for key, one in value.items()}
    if isinstance(value, list):
        return [mirrored(one) for one in value]
    return {"left": "right", "right": "left"}.get(value, value) if isinstance(value, str) else value


@given(ANY, st.randoms(use_true_random=False))
def test_a_value_in_another_unit_that_is_exactly_equal_comes_to_the_same(story, chance):
    converted = deepcopy(story.document)
    for _, body in own_bodies(converted, "assessment", "baseline"):
        for one in body.get("measurements", ()):
            if "unit" in one:
                in_another_unit(chance, one)

    assert_same(story, Story(converted, story.at))


def in_another_unit(chance: Any, one: dict[str, Any]) -> None:
    units = {"cm": ("mm", "m", "[in_i]"), "N": ("kN", "kgf"), "s": ("ms", "min")}[one["unit"]]
    unit = chance.choice(units)
    places = [one] if "value" in one else [trial for trial in one.get("trials", ()) if "value" in trial]
    found = [exactly(Decimal(place["value"]), unit) for place in places]
    if None not in found:
        one["unit"] = unit
        for place, value in zip(places, found, strict=True):
            place["value"] = value


def exactly(value: Decimal, unit: str) -> Decimal | None:
    """Return the value in a unit, None where that does not end within the digits that are read."""
    quotient = Fraction(value) / Fraction(Decimal(SIZE[unit]))
    scaled = quotient * 10**DIGITS
    if scaled.denominator != 1 or len(str(abs(scaled.numerator)).rstrip("0")) > DIGITS:
        return None
    return Decimal(scaled.numerator).scaleb(-DIGITS).normalize()


@given(stories(troubles=(0, 2)), st.integers(2, 60), st.integers(1, 60))
def test_inches_and_the_centimetres_that_they_are_come_to_the_same(story, involved, other):
    def lunges(unit, factor):
        values = {"left": involved, "right": other}
        return [
            builders.measured("weight_bearing_lunge_distance", side, *[value * factor / 8] * 3, unit=unit)
            for side, value in values.items()
        ]

    entries = [entry for entry in story.document["entries"] if "follows" not in entry.get("battery", {})]
    inches = builders.battery("KB-inch", moment(0, "23:55"), lunges("[in_i]", Decimal(1)))
    centimetres = builders.battery("KB-inch", moment(0, "23:55"), lunges("cm", Decimal("2.54")))

    assert_same(with_entries(story, [*entries, inches]), with_entries(story, [*entries, centimetres]))


# Told twice, told in error


@given(ANY, st.data())
def test_a_session_told_twice_is_one(story, data):
    place = pick(data, (place for place, _ in sessions(story.document)))
    twice = deepcopy(place.of(story.document))
    later = [p for p, body in own_bodies(story.document) if p.entry >= place.entry and body["ref"] != "KB-wrong"]
    body = data.draw(st.sampled_from(later)) if later else reject()

    def tell(one):
        one["since_last"] = {**one.get("since_last", {})}
        one["since_last"]["sessions"] = [*one["since_last"].get("sessions", ()), twice]

    assert_same(story, with_change(story, body, tell))


@given(ANY, st.data(), st.sampled_from(["setback", "giving_way", "re_injury"]), st.integers(0, 9))
def test_an_event_told_again_in_a_later_assessment_is_one(story, data, kind, ago):
    told = [place for place, body in own_bodies(story.document, "assessment") if "events" in body.get("since_last", {})]
    told.sort(key=lambda place: place.of(story.document)["performed_at"])
    assume(len(told) > 1)
    first = data.draw(st.sampled_from(told[:-1]))
    second = data.draw(st.sampled_from(told[told.index(first) + 1 :]))
    event = {"kind": kind, "on": days_before(first.of(story.document)["performed_at"][:10], ago)}

    once = with_change(story, first, lambda one: one["since_last"]["events"].append(event))
    twice = with_change(once, second, lambda one: one["since_last"]["events"].append(event))

    assert_same(once, twice)


def days_before(on: str, ago: int) -> str:
    return (date.fromisoformat(on) - timedelta(days=ago)).isoformat()


@given(ANY, st.data())
def test_a_battery_recorded_in_error_and_voided_leaves_no_trace(story, data):
    values = [builders.measured("heel_rise_repetitions", side, 0, pain=9) for side in ("left", "right")]
    on = data.draw(st.sampled_from([day(0), day(3), day(15)]))
    wrong = builders.battery(
        "KB-slip",
        f"{on}T09:00:00+01:00",
        values,
        session_check={"limp": True, "medication_24h": "opioid"},
        since_last={"events": [{"kind": "re_injury", "on": on}]},
        referral={**builders.referral_answers(), "navicular_tender": True},
    )
    void = {"void": {"entry": "KB-slip", "at": f"{on}T09:30:00+01:00"}}

    assert_same(story, with_entries(story, [wrong, void, *story.document["entries"]]))


@given(ANY, st.data())
def test_a_battery_superseded_by_its_equal_makes_no_difference(story, data):
    entries = deepcopy(story.document["entries"])
    place = pick(data, (place for place, body in own_bodies(story.document) if body["ref"] != "KB-wrong")).entry
    again = deepcopy(entries[place]["battery"])
    again["supersedes"] = {"ref": again["ref"]}

    assert_same(story, with_entries(story, [*entries[: place + 1], {"battery": again}, *entries[place + 1 :]]))


# Follow-ups, what comes later, and judging again


@given(ANY, st.data())
def test_a_follow_up_without_answers_changes_nothing(story, data):
    stored = Story(story.document, moment(-3, "12:00"))
    place = pick(data, (place for place, _ in own_bodies(story.document, "assessment")))
    body = place.of(story.document)
    morning = f"{days_before(body['performed_at'][:10], -1)}T08:00:00+01:00"
    entry = builders.follow_up(body["ref"], morning, "KB-empty", session_check={}, since_last=None)
    entries = story.document["entries"]

    told = with_entries(stored, [*entries[: place.entry + 1], entry, *entries[place.entry + 1 :]])

    assert_same(stored, told)


@given(stories(troubles=(0, 1)))
def test_a_follow_up_just_posted_changes_nothing_but_the_answers_it_gives(story):
    """Without answers the verdict stays; with answers only what reads a morning, events or sessions can change."""
    entries = [entry for entry in story.document["entries"] if "follows" not in entry.get("battery", {})]
    last = max(place for place, entry in enumerate(entries) if "battery" in entry)
    at = entries[last]["battery"]["performed_at"]
    times = [str(one.get("at", one.get("on", ""))) for entry in entries for one in entry.values()]
    assume(all(time <= at for time in times))
    assume(entries[last]["battery"]["kind"] == "assessment" and "episode" not in entries[last]["battery"])
    posted = with_entries(Story(story.document, None), entries[: last + 1])
    assume(answers(posted).evidence.occasions[-1] is answers(posted).evidence.judged)
    follow_up = builders.follow_up(
        entries[last]["battery"]["ref"], f"{days_before(at[:10], -1)}T08:00:00+01:00", "KB-next"
    )
    answered = with_entries(posted, [*entries[: last + 1], follow_up])
    empty = with_change(
        answered, Place(last + 1, ("battery",)), lambda one: (one.pop("since_last"), one.pop("session_check"))
    )

    assert_same(posted, empty)
    for stage, before in answers(posted).verdicts.items():
        after = answers(answered).verdicts[stage]
        assert [one for one in before["reasons"] if not reads_answers(one[0])] == [
            one for one in after["reasons"] if not reads_answers(one[0])
        ]


def reads_answers(key: str) -> bool:
    one = criteria().criteria[key]
    if not isinstance(one, Criterion):
        return any(reads_answers(part) for part in one.parts)
    return one.subject in ("sessions", "events") or one.metric == "rise"


def later_entries(ago: int) -> list[dict[str, Any]]:
    """Return entries of a later day that would change nearly everything."""
    bad = [builders.measured(test, "left", *[worst_value(test)] * 3, pain=9) for test in ("side_hop_time",)]
    referral = {**builders.referral_answers(), "navicular_tender": True}
    return [
        builders.battery("KB-later", moment(ago), bad, referral=referral, since_last={"events": []}),
        builders.battery("KB-later-second", moment(ago, "18:00"), [], episode=second_episode()),
        {"event": {"kind": "re_injury", "on": day(ago)}},
        {"event": {"kind": "giving_way", "at": moment(ago, "12:00")}},
        {"event": {"kind": "corrected", "other_side": "symptomatic", "involved_side": "both", "on": day(ago)}},
        {"event": {"kind": "reclassified", "condition": "calf_strain", "on": day(ago)}},
        {"exception": {"stage": "competition", "criterion": "agility", "at": moment(ago), "until": "2027-01-01"}},
    ]


def second_episode() -> dict[str, Any]:
    return {**builders.EPISODE, "ref": "later", "involved_side": "right"}


@given(ANY, st.data(), st.booleans())
def test_entries_after_as_of_change_no_verdict(story, data, is_recorded_first):
    """Recorded after the judged ones, or before them with a later date."""
    stored = Story(story.document, story.at or moment(0, "23:59"))
    later = data.draw(st.sampled_from(later_entries(-4)))
    void = {"void": {"entry": "KB-0", "at": moment(-4)}}
    entries = story.document["entries"]
    more = [later, *entries] if is_recorded_first else [*entries, later, void]

    assert_same(stored, with_entries(stored, more))


def told(story: Story) -> tuple[list[Entry], Moment, int]:
    """Return a story's entries with the moment and the last entry that a verdict of it names."""
    verdict = answers(story).verdicts["competition"]
    entries = read_entries(builders.loaded(story.document), criteria(), Clock())
    moment_judged = Moment(verdict["as_of"], answers(story).evidence.as_of_on)
    return entries, moment_judged, verdict["through"]


def verdict_bytes(entries: list[Entry], story: Story, at: Moment, through: int) -> list[str]:
    evidence = fold(entries, episode=JUDGED, through=through, as_of=at, posted=story.at is None)
    assert evidence is not None
    return [canonical(judge(evidence, criteria(), stage)) for stage in criteria().stages]


@given(ANY)
def test_evidence_cut_at_through_is_enough(story):
    entries, at, through = told(story)
    more = read_entries(
        builders.loaded({**story.document, "entries": [*story.document["entries"], *later_entries(-4)]}),
        criteria(),
        Clock(),
    )

    expected = [canonical(verdict) for verdict in answers(story).verdicts.values()]

    assert verdict_bytes(entries[:through], story, at, through) == expected
    assert verdict_bytes(more, story, at, through) == expected


@given(ANY)
def test_judging_again_what_was_stored_gives_the_same_bytes(story):
    """Documents are stored as canonical JSON and read again as plain JSON."""
    entries, at, through = told(story)
    stored = [
        Entry(one.sequence, one.id, one.kind, one.episode, one.occurred_at, one.occurred_on, again(one.document))
        for one in entries
    ]

    expected = [canonical(verdict) for verdict in answers(story).verdicts.values()]

    assert verdict_bytes(entries, story, at, through) == expected
    assert verdict_bytes(stored[::-1], story, at, through) == expected


def again(document: Mapping[str, Any]) -> dict[str, Any]:
    return dict(json.loads(canonical(dict(document))))
