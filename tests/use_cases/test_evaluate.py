"""A file judged without a server: which battery, which stage, which moment."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pytest

from service.domain.errors import InvalidDocumentError, UnknownStageError
from service.use_cases.evaluate import Evaluation, as_file, evaluate, target_stage
from service.use_cases.reading_entries import Clock
from tests.builders import (
    baseline,
    battery,
    criteria,
    file,
    follow_up,
    loaded,
    measured,
    passing_measurements,
    quantity,
)
from tests.use_cases.test_reading_entries import OTHER

STAGE = "team_training"
UNINJURED = baseline("KB-0", "2026-08-01T10:00:00+02:00", [measured("t_test_time", None, "9.8")])


def evaluated(*entries: Mapping[str, Any], at: str | None = None, stage: str | None = STAGE) -> Evaluation | None:
    moment = None if at is None else datetime.fromisoformat(at)
    return evaluate(loaded(file(*entries)), criteria(), stage=stage, clock=Clock(), as_of=moment)


def outcome_of(*entries: Mapping[str, Any], at: str | None = None) -> str:
    found = evaluated(*entries, at=at)
    assert found is not None
    return str(found.verdict["outcome"])


def refusal_of(*entries: Mapping[str, Any], at: str | None = None) -> list[tuple[str, str]]:
    with pytest.raises(InvalidDocumentError) as refused:
        evaluated(*entries, at=at)
    return [(fault.pointer, fault.code) for fault in refused.value.errors]


def test_the_last_battery_is_judged_as_just_posted() -> None:
    found = evaluated(battery())
    assert found is not None
    verdict = found.verdict
    assert (verdict["posted"], verdict["through"], verdict["today"]) == (True, 1, "2026-11-20")
    assert verdict["as_of"] == "2026-11-20T15:30:00.000000Z"


def test_what_was_recorded_after_the_last_battery_is_not_seen_as_posted() -> None:
    setback = {"event": {"kind": "setback", "on": "2026-11-20"}}
    assert outcome_of(battery(), setback) == "pass"


def test_what_was_recorded_is_seen_at_its_moment() -> None:
    setback = {"event": {"kind": "setback", "on": "2026-11-20"}}
    assert outcome_of(battery(), setback, at="2026-11-20T18:00:00+01:00") == "hold"


def test_stored_evidence_is_judged_on_the_date_of_the_moment() -> None:
    found = evaluated(battery(), at="2026-11-22T00:30:00+01:00")
    assert found is not None
    assert (found.verdict["posted"], found.verdict["today"]) == (False, "2026-11-22")


def test_nothing_stored_yet_is_refused() -> None:
    assert refusal_of(battery(), at="2026-11-19T12:00:00+01:00") == [("#/as_of", "out_of_range")]


def test_a_follow_up_told_too_late_is_not_judged() -> None:
    later = battery("KB-2", at="2026-11-21T10:00:00+01:00")
    assert evaluated(battery("KB-1"), later, follow_up("KB-1", at="2026-11-22T08:00:00+01:00")) is None


def test_a_file_that_ends_with_a_baseline_is_refused() -> None:
    assert refusal_of(battery(), UNINJURED) == [("#/entries/1/battery/kind", "conflicts")]


def test_a_file_that_ends_with_a_battery_of_another_episode_is_refused() -> None:
    assert refusal_of(battery(), battery("KB-2", episode=OTHER)) == [("#/entries/1/battery/episode", "conflicts")]


def test_a_pass_supports_its_own_stage_and_a_hold_none() -> None:
    passed, held = evaluated(battery()), evaluated(battery(), stage="competition")
    assert passed is not None
    assert held is not None
    assert (passed.advice["supported_stage"], held.advice["supported_stage"]) == (STAGE, None)


@pytest.mark.parametrize("stage", [None, "moon_walk"])
def test_a_stage_that_the_set_has_not_is_refused(stage: str | None) -> None:
    with pytest.raises(UnknownStageError, match="its stages are protected_loading, rebuild"):
        evaluated(battery(), stage=stage)


# The stage of a file


def test_the_stage_of_the_file_comes_before_that_of_its_batteries() -> None:
    document = {**file(battery(target_stage="running")), "target_stage": "rebuild"}
    assert target_stage(loaded(document)) == "rebuild"


def test_the_stage_is_that_of_the_last_battery_that_names_one() -> None:
    batteries = battery("KB-1", target_stage="running"), battery("KB-2", target_stage="rebuild"), battery("KB-3")
    assert target_stage(loaded(file(*batteries))) == "rebuild"


def test_a_file_may_name_no_stage() -> None:
    assert target_stage(loaded(file(battery()))) is None


# One battery as a file


def test_one_battery_is_a_file_of_one_entry() -> None:
    body = {"kind": "assessment", "athlete": {"ref": "KB-0417"}, "episode": {"ref": "KB-0417-2"}, "measurements": []}
    assert as_file(body) == {
        "athlete": {"ref": "KB-0417"},
        "episode": {"ref": "KB-0417-2"},
        "entries": [{"battery": {"kind": "assessment", "athlete": {"ref": "KB-0417"}, "measurements": []}}],
    }


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "baseline", "athlete": {}},
        {"kind": "follow_up", "athlete": {}, "follows": {"ref": "KB-1"}, "episode": {}},
    ],
    ids=["baseline", "follow-up"],
)
def test_a_baseline_or_follow_up_alone_is_refused(body: dict[str, Any]) -> None:
    with pytest.raises(InvalidDocumentError) as refused:
        as_file(body)
    assert [(fault.pointer, fault.code) for fault in refused.value.errors] == [("#/kind", "conflicts")]


def _summary_of(changed: dict[str, str]) -> str:
    """The summary of a battery in which these tests of the left side have one value each."""
    measurements = [
        one | {"trials": [{"value": quantity(changed[one["test"]])}] * len(one["trials"])}
        if one.get("side") == "left" and one["test"] in changed
        else one
        for one in passing_measurements()
    ]
    written = loaded(file(battery(measurements=measurements)))
    found = evaluate(written, criteria(), stage="team_training", clock=Clock())
    assert found is not None
    return str(found.advice["summary"])


def test_a_pass_on_a_value_that_looks_misread_says_so_in_its_first_words():
    summary = _summary_of({"side_hop_time": "1.1"})

    assert summary.startswith("Pass: all 13 required criteria are met.")
    assert summary.endswith("Look again: Side hop, left: 1.1 s is unusual; at least 4 s is expected.")


def test_of_several_values_that_look_misread_the_first_is_named():
    assert "(and 1 more)." in _summary_of({"side_hop_time": "1.1", "heel_rise_repetitions": "200"})
