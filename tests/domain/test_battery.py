"""A battery against the catalogue and the calendar, and its canonical document."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest

from service.domain.battery import battery_document, catalogue_faults, time_faults
from service.domain.canonical import canonical
from service.domain.catalogue import read_catalogue
from tests.domain.small_set import QUESTIONS, SESSIONS, TESTS, resolved

CATALOGUE = read_catalogue(
    resolved(
        {
            "tests": {key: {"protocol": "As agreed.", **one} for key, one in TESTS.items()},
            "questions": QUESTIONS,
            "sessions": SESSIONS,
        }
    )
)
AT = datetime(2026, 11, 20, 16, 30, tzinfo=timezone(timedelta(hours=1)))
ON = date(2026, 11, 20)


def measurement(test: str, *values: str, **changes: Any) -> dict[str, Any]:
    one = {"test": test, "result": "measured", "trials": [{"value": Decimal(value)} for value in values]}
    return {key: value for key, value in {**one, **changes}.items() if value is not None}


def body(**changes: Any) -> dict[str, Any]:
    return {"kind": "assessment", "performed_at": AT, "measurements": [], **changes}


def faults(**changes: Any) -> list[tuple[str, str]]:
    return [(one.pointer, one.code) for one in catalogue_faults(body(**changes), CATALOGUE, ("numb",))]


def measuring(one: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(pointer.removeprefix("/measurements/0"), code) for pointer, code in faults(measurements=[one])]


def test_a_battery_that_the_catalogue_knows_has_no_fault() -> None:
    whole = body(
        session_check={"limp": False, "pain_at_rest": 3, "medication_24h": "none"},
        setup={"support": "tape"},
        referral={"numb": True},
        since_last={"events": [], "sessions": [{"kind": "walk", "on": ON, "minutes": 30, "medication": "opioid"}]},
        measurements=[
            measurement("hop", "100.5", side="left", unit="cm", setup={"support": "brace"}),
            measurement("confidence", "7"),
            measurement("heel_rises", "20", side="left", unit="1"),
        ],
    )
    assert list(catalogue_faults(whole, CATALOGUE, ("numb",))) == []


# Answers


@pytest.mark.parametrize(
    ("answers", "fault"),
    [
        ({"mood": True}, ("/session_check/mood", "unknown_name")),
        ({"support": "tape"}, ("/session_check/support", "unknown_name")),
        ({"limp": "yes"}, ("/session_check/limp", "unknown_name")),
        ({"medication_24h": "aspirin"}, ("/session_check/medication_24h", "unknown_name")),
        ({"pain_at_rest": 11}, ("/session_check/pain_at_rest", "out_of_range")),
        ({"pain_at_rest": "3"}, ("/session_check/pain_at_rest", "wrong_type")),
        ({"pain_at_rest": True}, ("/session_check/pain_at_rest", "wrong_type")),
    ],
)
def test_an_answer_that_the_catalogue_does_not_know_is_a_fault(answers: dict[str, Any], fault: Any) -> None:
    assert faults(session_check=answers) == [fault]


def test_a_setup_of_the_battery_and_of_a_measurement_is_checked() -> None:
    one = measurement("hop", "1", side="left", unit="cm", setup={"support": "crutch"})
    assert faults(setup={"limp": True}, measurements=[one]) == [
        ("/setup/limp", "unknown_name"),
        ("/measurements/0/setup/support", "unknown_name"),
    ]


def test_a_referral_question_of_another_set_is_a_fault() -> None:
    assert faults(referral={"numb": False, "moon": True}) == [("/referral/moon", "unknown_name")]


def test_a_fault_names_what_there_is() -> None:
    [fault] = catalogue_faults(body(session_check={"mood": True}), CATALOGUE, ())
    assert fault.detail == "there is no session check question 'mood'; there are limp, pain_at_rest, medication_24h"


# Sessions


@pytest.mark.parametrize(
    ("session", "fault"),
    [
        ({"kind": "swim"}, ("/kind", "unknown_name")),
        ({"kind": "walk", "efforts": 3}, ("/efforts", "conflicts")),
        ({"kind": "drill", "minutes": 3}, ("/minutes", "conflicts")),
        ({"kind": "walk", "medication": "aspirin"}, ("/medication", "unknown_name")),
    ],
)
def test_a_session_that_the_catalogue_does_not_know_is_a_fault(session: dict[str, Any], fault: Any) -> None:
    found = faults(since_last={"events": [], "sessions": [{"on": ON, **session}]})
    assert found == [(f"/since_last/sessions/0{fault[0]}", fault[1])]


# Measurements


@pytest.mark.parametrize(
    ("one", "fault"),
    [
        (measurement("jump", "1"), ("/test", "unknown_name")),
        (measurement("hop", "100", unit="cm"), ("/side", "missing")),
        (measurement("sprint", "9", unit="s", side="left"), ("/side", "wrong_side")),
        (measurement("hop", "100", side="left"), ("/unit", "unit_missing")),
        (measurement("hop", "100", side="left", unit="s"), ("/unit", "wrong_unit")),
        (measurement("hop", "100", side="left", unit="furlong"), ("/unit", "wrong_unit")),
        (measurement("confidence", "7", unit="%"), ("/unit", "wrong_unit")),
        (measurement("heel_rises", "20.5", side="left"), ("/trials/0/value", "not_whole")),
        (measurement("hop", "-1", side="left", unit="cm"), ("/trials/0/value", "out_of_range")),
        (measurement("confidence", "11"), ("/trials/0/value", "out_of_range")),
        (measurement("hop", "4.01", side="left", unit="m"), ("/trials/0/value", "out_of_range")),
        (measurement("hop", *"1234567", side="left", unit="cm"), ("/trials", "too_many_trials")),
        (
            measurement("hop", "1", side="left", unit="cm", trials_summarised=7),
            ("/trials_summarised", "too_many_trials"),
        ),
    ],
)
def test_a_measurement_that_can_not_be_is_a_fault(one: dict[str, Any], fault: tuple[str, str]) -> None:
    assert measuring(one) == [fault]


@pytest.mark.parametrize(
    "one",
    [
        measurement("hop", "4", side="left", unit="m"),
        measurement("hop", *"123456", side="left", unit="cm"),
        measurement("hop", "1", side="left", unit="cm", trials_summarised=6),
        measurement("foot_lifts", "2.5", side="left", trials_summarised=4),
        {"test": "hop", "side": "left", "result": "unable", "because": "pain", "trials": []},
    ],
    ids=["on the limit in another unit", "as many trials as may be", "summed up", "an average", "no unit needed"],
)
def test_a_measurement_that_can_be_is_no_fault(one: dict[str, Any]) -> None:
    assert measuring(one) == []


def test_a_summary_of_the_best_is_whole_like_a_trial() -> None:
    assert measuring(measurement("heel_rises", "2.5", side="left", trials_summarised=1)) == [
        ("/trials/0/value", "not_whole")
    ]


def test_an_invalid_trial_without_a_value_is_no_fault() -> None:
    one = measurement("hop", "100", side="left", unit="cm")
    assert measuring({**one, "trials": [*one["trials"], {"invalid_because": "balance"}]}) == []


def test_an_impossible_value_of_an_invalid_trial_is_a_fault() -> None:
    trials = [{"value": Decimal(999), "invalid_because": "balance"}]
    assert measuring({**measurement("hop", side="left", unit="cm"), "trials": trials}) == [
        ("/trials/0/value", "out_of_range")
    ]


def test_a_fault_tells_what_is_possible() -> None:
    one = measurement("hop", "401", side="left", unit="cm")
    [fault] = catalogue_faults(body(measurements=[one]), CATALOGUE, ())
    assert fault.detail == "hop can only be at most 400 cm, not 401"


# Time


def timed(now: datetime | None = None, onset_on: str | None = "2026-10-01", **changes: Any) -> list[tuple[str, str]]:
    return [(one.pointer, one.code) for one in time_faults(body(**changes), ON, onset_on, now)]


@pytest.mark.parametrize(("late", "fault"), [(299, False), (300, False), (301, True)])
def test_a_battery_may_lie_five_minutes_after_now(late: int, fault: bool) -> None:  # noqa: FBT001 - a case
    found = timed(now=AT.astimezone(UTC) - timedelta(seconds=late))
    assert found == ([("/performed_at", "in_the_future")] if fault else [])


@pytest.mark.parametrize(
    ("onset", "fault"),
    [("2026-11-19", False), ("2026-11-20", False), ("2026-11-21", True), ("2026-11", False), ("2026-12", True)],
)
def test_a_battery_lies_on_or_after_the_onset(onset: str, fault: bool) -> None:  # noqa: FBT001 - a case
    assert timed(onset_on=onset) == ([("/performed_at", "before_onset")] if fault else [])


def test_a_baseline_lies_before_the_onset() -> None:
    assert timed(onset_on="2026-11-21", kind="baseline") == []


@pytest.mark.parametrize("what", ["events", "sessions"])
@pytest.mark.parametrize(
    ("on", "code"),
    [
        (date(2026, 9, 30), "before_onset"),
        (date(2026, 10, 1), None),
        (date(2026, 11, 20), None),
        (date(2026, 11, 21), "in_the_future"),
    ],
)
def test_what_is_told_lies_between_onset_and_battery(what: str, on: date, code: str | None) -> None:
    found = timed(since_last={what: [{"kind": "any", "on": on}]})
    assert found == ([] if code is None else [(f"/since_last/{what}/0/on", code)])


@pytest.mark.parametrize("fact", ["leg_length", "body_mass"])
@pytest.mark.parametrize(("on", "fault"), [(date(2026, 11, 20), False), (date(2026, 11, 21), True)])
def test_a_fact_was_measured_before_the_battery(fact: str, on: date, fault: bool) -> None:  # noqa: FBT001 - a case
    found = timed(athlete={fact: {"measured_on": on}})
    assert found == ([(f"/athlete/{fact}/measured_on", "in_the_future")] if fault else [])


def test_without_an_episode_no_onset_is_asked() -> None:
    assert timed(onset_on=None) == []


# The canonical document


def document(**changes: Any) -> dict[str, Any]:
    return battery_document(body(**changes), ON, names={})


def test_numbers_dates_and_moments_are_text() -> None:
    found = document(
        since_last={"events": [{"kind": "setback", "on": date(2026, 11, 1)}], "told_at": AT},
        measurements=[measurement("hop", "100.50", side="left", pain=0)],
    )
    assert found["performed_at"] == "2026-11-20T15:30:00.000000Z"
    assert found["performed_on"] == "2026-11-20"
    assert found["since_last"] == {
        "events": [{"kind": "setback", "on": "2026-11-01"}],
        "told_at": "2026-11-20T15:30:00.000000Z",
    }
    assert found["measurements"][0]["trials"] == [{"value": "100.5"}]
    assert found["measurements"][0]["pain"] == 0


def test_measurements_stand_by_test_and_side_whatever_the_order_sent() -> None:
    sent = [
        measurement("lunge", "1", side="right"),
        measurement("confidence", "1"),
        measurement("lunge", "1", side="left"),
    ]
    assert document(measurements=sent) == document(measurements=sent[::-1])
    assert [(one["test"], one.get("side")) for one in document(measurements=sent)["measurements"]] == [
        ("confidence", None),
        ("lunge", "left"),
        ("lunge", "right"),
    ]


def test_trials_stay_in_order() -> None:
    found = document(measurements=[measurement("lunge", "3", "1", "2", side="left")])
    assert [one["value"] for one in found["measurements"][0]["trials"]] == ["3", "1", "2"]


def test_refs_names_and_free_text_are_left_out() -> None:
    found = document(
        ref="KB-1",
        tester="staff-12",
        note="free text",
        target_stage="gate",
        athlete={"ref": "KB-0417", "new": True, "birth_year": 2000},
        episode={"ref": "KB-0417-2", "new": True, "recurrence_of": "KB-0417-1", "condition": "lateral_ankle_sprain"},
    )
    assert found["athlete"] == {"birth_year": 2000}
    assert found["episode"] == {"condition": "lateral_ankle_sprain"}
    assert not {"ref", "tester", "note", "target_stage"} & set(found)


def test_the_name_of_the_occasion_and_what_was_answered_stay() -> None:
    said = {
        "occasion": "friday",
        "session_check": {"limp": False},
        "referral": {"numb": False},
        "setup": {"support": "none"},
        "confirmed": ["sides"],
    }
    assert {key: document(**said)[key] for key in said} == said


def test_other_batteries_are_named_by_the_ids_of_their_entries() -> None:
    found = battery_document(body(), ON, names={"follows": "e7"})
    assert found["follows"] == "e7"


def test_the_document_is_canonical() -> None:
    assert canonical(document(measurements=[measurement("hop", "1.50", side="left")], confirmed=["sides"]))


def test_a_battery_without_measurements_has_an_empty_list() -> None:
    follow_up = {"kind": "follow_up", "performed_at": AT}
    assert battery_document(follow_up, ON, names={})["measurements"] == []
