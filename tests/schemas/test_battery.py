"""A battery's body is loaded to plain values, and every fault of its shape is named with its place."""

import copy
import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from schemas import strict_json
from schemas.battery import BatterySchema
from schemas.faults import pointer

BROKEN = Path(__file__).parent / "broken" / "battery"

REFUSED = {
    "answer-a-list": ("#/session_check/limp", "wrong_type"),
    "answer-not-whole": ("#/session_check/pain_at_rest", "not_whole"),
    "answer-null": ("#/session_check/limp", "wrong_type"),
    "assessment-that-follows": ("#/follows", "conflicts"),
    "athlete-a-text": ("#/athlete", "wrong_type"),
    "athlete-missing": ("#/athlete", "missing"),
    "athlete-ref-missing": ("#/athlete/ref", "missing"),
    "baseline-with-episode": ("#/episode", "conflicts"),
    "baseline-with-referral": ("#/referral", "conflicts"),
    "baseline-with-since-last": ("#/since_last", "conflicts"),
    "baseline-with-stage": ("#/target_stage", "conflicts"),
    "because-unknown-word": ("#/measurements/0/because", "unknown_name"),
    "birth-month-13": ("#/athlete/birth_month", "out_of_range"),
    "birth-month-without-year": ("#/athlete/birth_year", "missing"),
    "birth-year-as-text": ("#/athlete/birth_year", "wrong_type"),
    "birth-year-not-whole": ("#/athlete/birth_year", "not_whole"),
    "body-mass-without-unit": ("#/athlete/body_mass/unit", "missing"),
    "condition-no-id": ("#/episode/condition", "bad_text"),
    "confirmed-unknown-word": ("#/confirmed/0", "unknown_name"),
    "criteria-set-no-id": ("#/criteria_set", "bad_text"),
    "criteria-version-zero": ("#/criteria_version", "out_of_range"),
    "deferred-with-a-value": ("#/measurements/0/value", "conflicts"),
    "duplicate-measurement-of-the-person": ("#/measurements/1", "duplicate"),
    "duplicate-measurement": ("#/measurements/2", "duplicate"),
    "episode-missing": ("#/episode", "missing"),
    "event-kind-unknown": ("#/since_last/events/0/kind", "unknown_name"),
    "event-undated": ("#/since_last/events/0/on", "missing"),
    "events-51": ("#/since_last/events", "out_of_range"),
    "events-null": ("#/since_last/events", "wrong_type"),
    "follow-up-of-nothing": ("#/follows", "missing"),
    "follow-up-with-measurements": ("#/measurements", "conflicts"),
    "follow-up-with-occasion": ("#/occasion", "conflicts"),
    "follow-up-with-stage": ("#/target_stage", "conflicts"),
    "instability-below-zero": ("#/measurements/0/instability", "out_of_range"),
    "involved-side-unknown-word": ("#/episode/involved_side", "unknown_name"),
    "kind-missing": ("#/kind", "missing"),
    "kind-null": ("#/kind", "wrong_type"),
    "kind-unknown": ("#/kind", "unknown_name"),
    "leg-length-of-no-leg": ("#/athlete/leg_length/left", "missing"),
    "leg-length-undated": ("#/athlete/leg_length/measured_on", "missing"),
    "leg-length-zero": ("#/athlete/leg_length/left/value", "out_of_range"),
    "measured-with-because": ("#/measurements/0/because", "conflicts"),
    "measured-without-value": ("#/measurements/0/value", "missing"),
    "measurements-201": ("#/measurements", "out_of_range"),
    "measurements-an-object": ("#/measurements", "wrong_type"),
    "new-as-text": ("#/athlete/new", "wrong_type"),
    "no-object": ("#", "wrong_type"),
    "not-done-because-of-pain": ("#/measurements/0/because", "unknown_name"),
    "occasion-with-space": ("#/occasion", "bad_text"),
    "onset-no-date": ("#/episode/onset_on", "wrong_type"),
    "other-side-missing": ("#/episode/other_side", "missing"),
    "other-side-unknown-word": ("#/episode/other_side", "unknown_name"),
    "pain-11": ("#/measurements/0/pain", "out_of_range"),
    "pain-as-text": ("#/measurements/0/pain", "wrong_type"),
    "pain-not-whole": ("#/measurements/0/pain", "not_whole"),
    "performed-at-missing": ("#/performed_at", "missing"),
    "performed-at-no-date": ("#/performed_at", "wrong_type"),
    "performed-at-without-offset": ("#/performed_at", "wrong_type"),
    "ref-a-number": ("#/ref", "wrong_type"),
    "ref-blank": ("#/ref", "bad_text"),
    "ref-too-long": ("#/ref", "bad_text"),
    "referral-no-truth-value": ("#/referral/cannot_take_four_steps", "wrong_type"),
    "result-unknown-word": ("#/measurements/0/result", "unknown_name"),
    "session-check-a-list": ("#/session_check", "wrong_type"),
    "session-minutes-zero": ("#/since_last/sessions/0/minutes", "out_of_range"),
    "session-pain-11": ("#/since_last/sessions/0/worst_pain", "out_of_range"),
    "session-rise-not-whole": ("#/since_last/sessions/0/next_morning_rise", "not_whole"),
    "sessions-101": ("#/since_last/sessions", "out_of_range"),
    "setup-a-text": ("#/setup", "wrong_type"),
    "sex-unknown-word": ("#/athlete/sex", "unknown_name"),
    "event-on-no-date": ("#/since_last/events/0/on", "wrong_type"),
    "onset-a-word": ("#/episode/onset_on", "wrong_type"),
    "session-on-a-moment": ("#/since_last/sessions/0/on", "wrong_type"),
    "side-a-number": ("#/measurements/0/side", "wrong_type"),
    "side-unknown-word": ("#/measurements/0/side", "unknown_name"),
    "stage-no-id": ("#/target_stage", "bad_text"),
    "supersedes-a-text": ("#/supersedes", "wrong_type"),
    "supersedes-by-two-names": ("#/supersedes/ref", "conflicts"),
    "supersedes-nothing": ("#/supersedes/id", "missing"),
    "test-missing": ("#/measurements/0/test", "missing"),
    "tester-too-long": ("#/tester", "bad_text"),
    "trial-invalid-because-unknown-word": ("#/measurements/0/trials/0/invalid_because", "unknown_name"),
    "trial-invalid-without-because": ("#/measurements/0/trials/1/invalid_because", "missing"),
    "trial-valid-as-text": ("#/measurements/0/trials/0/valid", "wrong_type"),
    "trial-valid-with-because": ("#/measurements/0/trials/0/invalid_because", "conflicts"),
    "trial-value-as-text": ("#/measurements/0/trials/1/value", "wrong_type"),
    "trial-without-value": ("#/measurements/0/trials/1/value", "missing"),
    "trials-1000": ("#/measurements/0/trials", "too_many_trials"),
    "trials-empty": ("#/measurements/0/trials", "missing"),
    "trials-of-numbers": ("#/measurements/0/trials/0", "wrong_type"),
    "trials-summarised-21": ("#/measurements/0/trials_summarised", "out_of_range"),
    "trials-summarised-with-trials": ("#/measurements/0/trials_summarised", "conflicts"),
    "unable-because-of-time": ("#/measurements/0/because", "unknown_name"),
    "unable-without-because": ("#/measurements/0/because", "missing"),
    "unit-a-number": ("#/measurements/0/unit", "wrong_type"),
    "unknown-field-in-measurement": ("#/measurements/0/sied", "unknown_field"),
    "unknown-field": ("#/mesurements", "unknown_field"),
    "value-a-truth-value": ("#/measurements/0/value", "wrong_type"),
    "value-and-trials": ("#/measurements/0/trials", "conflicts"),
    "value-as-text": ("#/measurements/0/value", "wrong_type"),
    "value-null": ("#/measurements/0/value", "wrong_type"),
}

ASSESSMENT: dict[str, Any] = {
    "kind": "assessment",
    "athlete": {"ref": "KB-0417"},
    "episode": {
        "ref": "KB-0417-2",
        "condition": "lateral_ankle_sprain",
        "involved_side": "left",
        "onset_on": "2026-10",
        "other_side": "healthy",
    },
    "performed_at": "2026-11-20T16:30:00+01:00",
}
FOLLOW_UP: dict[str, Any] = {
    "kind": "follow_up",
    "athlete": {"ref": "KB-0417"},
    "follows": {"ref": "KB-1"},
    "performed_at": "2026-11-21T08:00:00+01:00",
}
HALF_PAST_FOUR = dt.datetime(2026, 11, 20, 16, 30, tzinfo=dt.timezone(dt.timedelta(hours=1)))


def load(document: Any, found: Any = ()) -> tuple[Any, list[tuple[str, str]]]:
    loaded, faults = strict_json.load(BatterySchema(), document, found=found)
    return loaded, [(pointer(fault.path), fault.code) for fault in faults]


def loaded(document: dict[str, Any], **changes: Any) -> Any:
    battery, faults = load(document | changes)
    assert faults == []
    return battery


def measurement(**said: Any) -> Any:
    (one,) = loaded(ASSESSMENT, measurements=[{"test": "side_hop_time", **said}])["measurements"]
    return one


@pytest.mark.parametrize("name", REFUSED)
def test_a_broken_battery_is_refused_with_its_one_fault(name: str) -> None:
    _, faults = load(*strict_json.read((BROKEN / f"{name}.json").read_bytes()))

    # A list of bare numbers has the same fault at each of them.
    assert faults[0] == REFUSED[name]
    assert {code for _, code in faults} == {REFUSED[name][1]}


@pytest.mark.parametrize("fraction", [".9", ".999999", ".9999999", ".999999999"])
def test_a_moment_is_read_as_finely_as_systems_write_it_and_never_into_the_next_second(fraction: str) -> None:
    moment = loaded(ASSESSMENT, performed_at=f"2026-11-20T23:59:59{fraction}Z")["performed_at"]

    assert moment == dt.datetime(2026, 11, 20, 23, 59, 59, int(fraction[1:7].ljust(6, "0")), tzinfo=dt.UTC)


def test_every_broken_file_is_tried() -> None:
    assert {path.stem for path in BROKEN.iterdir()} == REFUSED.keys()


def test_all_faults_come_at_once() -> None:
    document = ASSESSMENT | {
        "kind": "baseline",
        "occasion": "friday test",
        "measurements": [
            {"test": "side_hop_time", "side": "left", "trials": [{"value": "9.8"}, {"valid": False}], "pain": 11},
            {"test": "confidence", "value": 8, "because": "time"},
            {"test": "side_hop_time", "side": "left", "result": "unable", "value": 3},
        ],
        "stage": "team_training",
    }

    assert set(load(document)[1]) == {
        ("#/episode", "conflicts"),
        ("#/occasion", "bad_text"),
        ("#/stage", "unknown_field"),
        ("#/measurements/0/trials/0/value", "wrong_type"),
        ("#/measurements/0/trials/1/invalid_because", "missing"),
        ("#/measurements/0/pain", "out_of_range"),
        ("#/measurements/1/because", "conflicts"),
        ("#/measurements/2", "duplicate"),
        ("#/measurements/2/because", "missing"),
        ("#/measurements/2/value", "conflicts"),
    }


def test_everything_that_a_battery_can_say_is_loaded_to_plain_values() -> None:
    battery = loaded(
        ASSESSMENT,
        ref="KB-2026-1120-7",
        occasion="friday-test",
        athlete={
            "ref": "KB-0417",
            "new": True,
            "birth_year": 2003,
            "birth_month": 4,
            "sex": "female",
            "dominant_leg": "right",
            "leg_length": {"left": {"value": Decimal("87.5"), "unit": "cm"}, "measured_on": "2026-09-01"},
            "body_mass": {"value": 71, "unit": "kg", "measured_on": "2026-09-01"},
        },
        criteria_set="lateral-ankle-sprain",
        criteria_version=1,
        target_stage="team_training",
        tester="staff-12",
        session_check={"limp": False, "pain_at_rest": 0, "medication_24h": "none"},
        referral={"cannot_take_four_steps": False},
        since_last={
            "events": [{"kind": "setback", "on": "2026-11-18"}],
            "sessions": [
                {
                    "kind": "cutting_drill",
                    "on": "2026-11-18",
                    "efforts": 3,
                    "worst_pain": 1,
                    "next_morning_rise": -2,
                    "medication": "none",
                }
            ],
        },
        setup={"support": "none"},
        supersedes={"ref": "KB-1"},
        confirmed=["sides"],
    )

    assert battery["performed_at"] == HALF_PAST_FOUR
    assert battery["athlete"]["leg_length"] == {
        "left": {"value": Decimal("87.5"), "unit": "cm"},
        "measured_on": dt.date(2026, 9, 1),
    }
    assert battery["athlete"]["body_mass"]["value"] == Decimal(71)
    assert battery["episode"]["onset_on"] == "2026-10"
    assert battery["session_check"] == {"limp": False, "pain_at_rest": 0, "medication_24h": "none"}
    assert battery["since_last"]["events"] == [{"kind": "setback", "on": dt.date(2026, 11, 18)}]
    assert battery["since_last"]["sessions"][0]["next_morning_rise"] == -2
    assert battery["measurements"] == []


def test_loading_changes_nothing_in_what_was_sent() -> None:
    sent = ASSESSMENT | {"measurements": [{"test": "confidence", "value": 8}]}
    before = copy.deepcopy(sent)

    load(sent)

    assert sent == before


def test_a_value_is_one_valid_trial() -> None:
    assert measurement(side="left", value=Decimal("9.60")) == {
        "test": "side_hop_time",
        "side": "left",
        "result": "measured",
        "trials": [{"value": Decimal("9.60")}],
    }


def test_a_summarised_value_keeps_the_number_of_its_trials() -> None:
    one = measurement(value=117, trials_summarised=3)

    assert one["trials"] == [{"value": Decimal(117)}]
    assert one["trials_summarised"] == 3


def test_trials_load_to_values_and_causes() -> None:
    trials = [
        {"value": Decimal("9.8")},
        {"value": Decimal("9.1"), "valid": False, "invalid_because": "balance"},
        {"valid": False, "invalid_because": "giving_way"},
        {"value": 9, "valid": True},
    ]

    assert measurement(trials=trials)["trials"] == [
        {"value": Decimal("9.8")},
        {"value": Decimal("9.1"), "invalid_because": "balance"},
        {"invalid_because": "giving_way"},
        {"value": Decimal(9)},
    ]


@pytest.mark.parametrize(
    ("result", "because"),
    [
        ("unable", "pain"),
        ("unable", "giving_way"),
        ("unable", "could_not"),
        ("not_done", "time"),
        ("not_done", "no_equipment"),
        ("not_done", "refused"),
        ("deferred", "not_safe_today"),
    ],
)
def test_a_result_without_trials_says_why(result: str, because: str) -> None:
    one = measurement(result=result, because=because)

    assert one == {"test": "side_hop_time", "result": result, "because": because, "trials": []}


def test_what_clearly_could_not_be_done_keeps_its_pain() -> None:
    assert measurement(result="unable", because="pain", pain=7)["pain"] == 7


def test_the_person_has_no_side() -> None:
    assert "side" not in measurement(value=1)


def test_left_right_and_the_person_are_no_duplicates() -> None:
    places: list[dict[str, Any]] = [{}, {"side": "left"}, {"side": "right"}]
    measurements = [{"test": "side_hop_time", "value": 1, **place} for place in places]

    assert len(loaded(ASSESSMENT, measurements=measurements)["measurements"]) == 3


def test_blanks_around_a_name_hide_no_duplicate() -> None:
    measurements = [{"test": "confidence", "value": 8}, {"test": " confidence ", "value": 9}]

    assert load(ASSESSMENT | {"measurements": measurements})[1] == [("#/measurements/1", "duplicate")]


def test_a_duplicate_stands_at_its_own_position_behind_a_faulty_measurement() -> None:
    twice = {"test": "confidence", "value": 8}

    _, faults = load(ASSESSMENT | {"measurements": [{"value": 1}, twice, "text", twice]})

    assert set(faults) == {
        ("#/measurements/0/test", "missing"),
        ("#/measurements/2", "wrong_type"),
        ("#/measurements/3", "duplicate"),
    }


def test_an_empty_list_is_an_answer_and_an_absent_one_is_none() -> None:
    assert loaded(ASSESSMENT, since_last={"events": []})["since_last"] == {"events": []}
    assert "since_last" not in loaded(ASSESSMENT)


def test_a_first_injury_recurs_from_none() -> None:
    episode = ASSESSMENT["episode"] | {"recurrence_of": None}

    assert "recurrence_of" not in loaded(ASSESSMENT, episode=episode)["episode"]


def test_a_whole_number_may_be_written_with_a_point() -> None:
    assert measurement(value=1, pain=Decimal("5.0"))["pain"] == 5


def test_a_baseline_needs_neither_episode_nor_stage() -> None:
    baseline = {key: value for key, value in ASSESSMENT.items() if key != "episode"} | {"kind": "baseline"}

    assert loaded(baseline, measurements=[{"test": "confidence", "value": 8}])["kind"] == "baseline"


def test_a_follow_up_answers_the_morning_after() -> None:
    follow_up = loaded(FOLLOW_UP, session_check={"pain_at_rest": 1}, since_last={"events": []}, supersedes={"id": "7"})

    assert follow_up["follows"] == {"ref": "KB-1"}
    assert follow_up["measurements"] == []


@pytest.mark.parametrize(
    ("count", "faults"), [(99, []), (100, []), (101, [("#/measurements/0/trials", "too_many_trials")])]
)
def test_a_hundred_trials_are_read(count: int, faults: list[tuple[str, str]]) -> None:
    trials = [{"value": 1}] * count

    assert load(ASSESSMENT | {"measurements": [{"test": "confidence", "trials": trials}]})[1] == faults


@pytest.mark.parametrize(("count", "codes"), [(199, []), (200, []), (201, ["out_of_range"])])
def test_two_hundred_measurements_are_read(count: int, codes: list[str]) -> None:
    measurements = [{"test": f"made_up_{number}", "value": 1} for number in range(count)]

    assert [code for _, code in load(ASSESSMENT | {"measurements": measurements})[1]] == codes


@pytest.mark.parametrize(("length", "codes"), [(63, []), (64, []), (65, ["bad_text"])])
def test_a_ref_has_at_most_64_characters(length: int, codes: list[str]) -> None:
    assert [code for _, code in load(ASSESSMENT | {"ref": "K" * length})[1]] == codes


@pytest.mark.parametrize(("rise", "codes"), [(-11, ["out_of_range"]), (-10, []), (10, []), (11, ["out_of_range"])])
def test_a_rise_lies_from_minus_ten_to_ten(rise: int, codes: list[str]) -> None:
    session = {"kind": "brisk_walk", "on": "2026-11-18", "next_morning_rise": rise}

    assert [code for _, code in load(ASSESSMENT | {"since_last": {"sessions": [session]}})[1]] == codes


def details(document: dict[str, Any]) -> dict[str, str]:
    _, faults = strict_json.load(BatterySchema(), document)
    return {pointer(fault.path): fault.detail for fault in faults}


def test_an_unknown_field_is_told_with_the_one_that_was_probably_meant() -> None:
    said = details(ASSESSMENT | {"mesurements": [], "since_last": {"sesions": []}})

    assert said == {
        "#/mesurements": "there is no such field here; did you mean measurements?",
        "#/since_last/sesions": "there is no such field here; did you mean sessions?",
    }


def test_an_unknown_field_like_no_other_is_told_with_those_that_there_are() -> None:
    said = details(ASSESSMENT | {"since_last": {"colour": "red"}})

    assert said == {"#/since_last/colour": "there is no such field here; there are events, sessions"}
