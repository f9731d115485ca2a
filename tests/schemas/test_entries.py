"""A file of entries is loaded entry by entry, and every fault of its shape is named with its place."""

import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from schemas import strict_json
from schemas.entries import EvaluationSchema, looks_like_entries
from schemas.faults import pointer

BROKEN = Path(__file__).parent / "broken" / "entries"

REFUSED = {
    "as-of-a-date": ("#/as_of", "wrong_type"),
    "athlete-missing": ("#/athlete", "missing"),
    "battery-duplicate-measurement": ("#/entries/0/battery/measurements/1", "duplicate"),
    "battery-unknown-field": ("#/entries/0/battery/sides", "unknown_field"),
    "closed-without-cause": ("#/entries/0/event/cause", "missing"),
    "confirmation-of-no-battery": ("#/entries/0/confirmation/battery", "missing"),
    "confirmation-of-nothing": ("#/entries/1/confirmation/confirms", "out_of_range"),
    "confirmation-unknown-word": ("#/entries/1/confirmation/confirms/0", "unknown_name"),
    "corrected-in-nothing": ("#/entries/0/event/involved_side", "missing"),
    "entries-an-object": ("#/entries", "wrong_type"),
    "entries-missing": ("#/entries", "missing"),
    "entry-a-text": ("#/entries/0", "wrong_type"),
    "entry-null": ("#/entries/0/event", "wrong_type"),
    "entry-of-no-kind": ("#/entries/1", "missing"),
    "entry-of-two-kinds": ("#/entries/0", "conflicts"),
    "entry-of-unknown-kind": ("#/entries/1/setback", "unknown_field"),
    "episode-a-number": ("#/entries/0/battery/episode", "wrong_type"),
    "episode-missing": ("#/episode", "missing"),
    "episode-of-a-battery-incomplete": ("#/entries/0/battery/episode/onset_on", "missing"),
    "event-dated-twice": ("#/entries/0/event/at", "conflicts"),
    "event-kind-unknown": ("#/entries/0/event/kind", "unknown_name"),
    "event-undated": ("#/entries/0/event/on", "missing"),
    "event-with-facts-of-another": ("#/entries/0/event/condition", "conflicts"),
    "exception-undated": ("#/entries/0/exception/at", "missing"),
    "exception-without-end": ("#/entries/0/exception/until", "missing"),
    "follow-up-of-nothing": ("#/entries/1/battery/follows", "missing"),
    "no-entries": ("#/entries", "missing"),
    "other-side-missing": ("#/episode/other_side", "missing"),
    "reclassified-to-nothing": ("#/entries/0/event/condition", "missing"),
    "ref-taken": ("#/entries/1/battery/ref", "duplicate"),
    "resolution-of-nothing": ("#/entries/0/finding_resolution/finding", "missing"),
    "resolution-undated": ("#/entries/0/finding_resolution/on", "missing"),
    "resolution-unknown-word": ("#/entries/0/finding_resolution/as", "unknown_name"),
    "two-athletes-in-batteries": ("#/entries/1/battery/athlete/ref", "conflicts"),
    "two-athletes": ("#/entries/0/battery/athlete/ref", "conflicts"),
    "unknown-field": ("#/stage", "unknown_field"),
    "void-of-a-list": ("#/entries/1/void/entry", "wrong_type"),
    "void-of-no-entry": ("#/entries/1/void/entry", "missing"),
    "void-of-position-zero": ("#/entries/1/void/entry", "out_of_range"),
    "void-undated": ("#/entries/1/void/at", "missing"),
}

EPISODE = {
    "condition": "lateral_ankle_sprain",
    "involved_side": "left",
    "onset_on": "2026-10-04",
    "other_side": "healthy",
}
BATTERY: dict[str, Any] = {"kind": "assessment", "performed_at": "2026-11-20T16:30:00+01:00"}
NINE = "2026-11-22T09:00:00+01:00"
NINE_LOADED = dt.datetime(2026, 11, 22, 9, tzinfo=dt.timezone(dt.timedelta(hours=1)))


def load(document: Any, found: Any = ()) -> tuple[Any, list[tuple[str, str]]]:
    loaded, faults = strict_json.load(EvaluationSchema(), document, found=found)
    return loaded, [(pointer(fault.path), fault.code) for fault in faults]


def file_of(*entries: Any, **changes: Any) -> dict[str, Any]:
    return {"athlete": {"birth_year": 2003}, "episode": EPISODE, "entries": list(entries), **changes}


def loaded(*entries: Any, **changes: Any) -> Any:
    document, faults = load(file_of(*entries, **changes))
    assert faults == []
    return document


@pytest.mark.parametrize("name", REFUSED)
def test_a_broken_file_is_refused_with_its_one_fault(name: str) -> None:
    _, faults = load(*strict_json.read((BROKEN / f"{name}.json").read_bytes()))

    assert faults == [REFUSED[name]]


def test_every_broken_file_is_tried() -> None:
    assert {path.stem for path in BROKEN.iterdir()} == REFUSED.keys()


def test_a_file_says_what_is_judged_and_when() -> None:
    document = loaded(
        {"battery": BATTERY},
        athlete={"ref": "KB-0417"},
        episode={"ref": "KB-0417-2", **EPISODE},
        criteria_set="lateral-ankle-sprain",
        criteria_version=1,
        target_stage="team_training",
        as_of=NINE,
    )

    assert document["as_of"] == NINE_LOADED
    assert document["episode"]["ref"] == "KB-0417-2"
    assert document["entries"][0]["battery"]["measurements"] == []


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ({"event": {"kind": "giving_way", "on": "2026-11-19"}}, {"kind": "giving_way", "on": dt.date(2026, 11, 19)}),
        ({"event": {"kind": "re_injury", "at": NINE}}, {"kind": "re_injury", "at": NINE_LOADED}),
        (
            {"event": {"kind": "reclassified", "condition": "syndesmosis_sprain", "at": NINE}},
            {"kind": "reclassified", "condition": "syndesmosis_sprain", "at": NINE_LOADED},
        ),
        (
            {"event": {"kind": "corrected", "other_side": "symptomatic", "onset_on": "2026-10", "at": NINE}},
            {"kind": "corrected", "other_side": "symptomatic", "onset_on": "2026-10", "at": NINE_LOADED},
        ),
        (
            {"event": {"kind": "closed", "cause": "back in sport", "at": NINE}},
            {"kind": "closed", "cause": "back in sport", "at": NINE_LOADED},
        ),
        (
            {"finding_resolution": {"finding": "calf_squeeze_still_or_gap", "as": "released", "at": NINE}},
            {"finding": "calf_squeeze_still_or_gap", "as": "released", "at": NINE_LOADED},
        ),
        (
            {"exception": {"stage": "competition", "criterion": "agility", "at": NINE, "until": "2026-12-01"}},
            {"stage": "competition", "criterion": "agility", "at": NINE_LOADED, "until": dt.date(2026, 12, 1)},
        ),
        (
            {"confirmation": {"battery": "KB-1", "confirms": ["sides"], "at": NINE}},
            {"battery": "KB-1", "confirms": ["sides"], "at": NINE_LOADED},
        ),
        (
            {"void": {"entry": "KB-1", "at": NINE, "reason": "wrong athlete"}},
            {"entry": "KB-1", "at": NINE_LOADED, "reason": "wrong athlete"},
        ),
        ({"void": {"entry": 1, "at": NINE}}, {"entry": 1, "at": NINE_LOADED}),
    ],
)
def test_each_kind_of_entry_is_loaded_under_its_one_key(entry: dict[str, Any], expected: dict[str, Any]) -> None:
    (kind,) = entry

    assert loaded({"battery": BATTERY}, entry)["entries"][1] == {kind: expected}


@pytest.mark.parametrize(
    "entry",
    [
        {"battery": BATTERY},
        {"event": {"kind": "setback", "at": NINE}},
        {"finding_resolution": {"finding": "cannot_take_four_steps", "as": "ruled_out", "at": NINE}},
        {"exception": {"stage": "competition", "criterion": "agility", "at": NINE, "until": "2026-12-01"}},
        {"confirmation": {"battery": "KB-1", "confirms": ["sides"], "at": NINE}},
        {"void": {"entry": 1, "at": NINE}},
    ],
)
@pytest.mark.parametrize("episode", ["KB-0417-1", {"ref": "KB-0417-1", **EPISODE}])
def test_an_entry_may_bring_its_own_episode(entry: dict[str, Any], episode: Any) -> None:
    ((kind, said),) = entry.items()

    assert loaded({kind: said | {"episode": episode}})["entries"] == [
        {kind: loaded(entry)["entries"][0][kind] | {"episode": episode}}
    ]


def test_a_battery_of_the_file_is_normalised_as_a_posted_one() -> None:
    measurements = [{"test": "heel_rise_repetitions", "side": "left", "value": 22}]

    (entry,) = loaded({"battery": BATTERY | {"measurements": measurements}})["entries"]

    assert entry["battery"]["measurements"][0]["trials"] == [{"value": Decimal(22)}]


def test_baselines_and_follow_ups_keep_the_rules_of_their_kind() -> None:
    baseline = {"battery": BATTERY | {"kind": "baseline", "episode": EPISODE}}
    follow_up = {"battery": BATTERY | {"kind": "follow_up", "follows": {"ref": "KB-1"}, "measurements": []}}

    assert load(file_of(baseline, follow_up))[1] == [
        ("#/entries/0/battery/episode", "conflicts"),
        ("#/entries/1/battery/measurements", "conflicts"),
    ]


def test_a_superseding_battery_may_have_the_ref_of_the_one_before() -> None:
    first = {"battery": BATTERY | {"ref": "KB-1"}}
    second = {"battery": BATTERY | {"ref": "KB-1", "supersedes": {"ref": "KB-1"}}}

    assert len(loaded(first, second)["entries"]) == 2


def test_one_athlete_may_be_named_in_every_battery() -> None:
    battery = {"battery": BATTERY | {"athlete": {"ref": "KB-0417"}}}

    assert len(loaded(battery, battery)["entries"]) == 2


@pytest.mark.parametrize("other", ["\N{LATIN SMALL LETTER O WITH DIAERESIS}-1 ", "o\N{COMBINING DIAERESIS}-1"])
def test_another_form_of_a_ref_is_the_same_ref(other: str) -> None:
    one = "\N{LATIN SMALL LETTER O WITH DIAERESIS}-1"
    first, second = ({"battery": BATTERY | {"ref": ref, "athlete": {"ref": ref}}} for ref in (one, other))

    assert load(file_of(first, second))[1] == [("#/entries/1/battery/ref", "duplicate")]


def test_all_faults_of_all_entries_come_at_once() -> None:
    document = file_of(
        {"battery": BATTERY | {"performed_at": "yesterday"}},
        {"event": {"kind": "closed"}},
        {"sign_off": {}},
        {"void": {"entry": 2.5, "at": NINE}},
        episode={**EPISODE, "other_side": "fine"},
    )

    assert load(document)[1] == [
        ("#/episode/other_side", "unknown_name"),
        ("#/entries/0/battery/performed_at", "wrong_type"),
        ("#/entries/1/event/on", "missing"),
        ("#/entries/1/event/cause", "missing"),
        ("#/entries/2/sign_off", "unknown_field"),
        ("#/entries/3/void/entry", "wrong_type"),
    ]


@pytest.mark.parametrize(
    ("document", "expected"),
    [({"entries": []}, True), ({"kind": "assessment"}, False), ([], False), ("entries", False)],
)
def test_a_file_of_entries_is_known_by_its_list(document: object, expected: bool) -> None:  # noqa: FBT001
    assert looks_like_entries(document) is expected
