"""A criteria version that was recalled, and no other in force: it judges nothing again, and nobody moves up by it."""

from typing import Any

import pytest

from service.domain.criteria import read_criteria_set
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import SET, Clinic, adopt, ankle_set, new_clinic, small, whole


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def retire(clinic: Clinic, from_: str, version: int = 1) -> None:
    said = {"retired_from": from_, "reason": "a limit was mistyped"}
    answer = clinic.administrator.post(f"/v1/criteria-sets/{SET}/versions/{version}/retire", said)
    assert answer.status_code == 201, answer.text


def morning(clinic: Clinic) -> dict[str, Any]:
    clinic.at("2026-11-21T09:00:00+01:00")
    return clinic.post_battery(builders.follow_up("A")["battery"] | {"athlete": {"ref": "KB-1"}})


def test_the_morning_is_judged_by_the_version_of_its_evening_where_that_was_retired_overnight(clinic):
    clinic.post_battery(whole("A"))
    retire(clinic, "2026-11-21")

    assert morning(clinic)["criteria_set"]["version"] == 1


@pytest.mark.parametrize("from_", ["2020-01-01", "2026-11-01", "2026-11-20"])
def test_the_morning_is_kept_only_where_the_version_of_its_evening_was_recalled(clinic, from_):
    clinic.post_battery(whole("A"))
    retire(clinic, from_)

    assert "outcome" not in morning(clinic)


def test_the_morning_is_judged_by_the_version_left_where_that_of_its_evening_never_began(clinic):
    second = read_criteria_set({**ankle_set().document, "version": 2})
    adopt(clinic.world, second, "2026-11-20")
    assert clinic.post_battery(whole("A"))["criteria_set"]["version"] == 2
    retire(clinic, "2026-11-20", version=2)

    assert morning(clinic)["criteria_set"]["version"] == 1


# Where the athlete stands


def signed(of: dict[str, Any], stage: str, participation: str) -> dict[str, Any]:
    position = {"stage": stage, "participation": participation}
    return {"decision_digest": of["digest"], "determination": "agree", "position": position}


def alone(stage: str, participation: str) -> dict[str, Any]:
    position = {"stage": stage, "participation": participation}
    return {"position": position, "rationale": "why", "valid_until": "2026-11-27"}


def assert_not_up(clinic: Clinic, path: str, body: dict[str, Any], *words: str) -> None:
    [fault] = assert_problem(clinic.refused(path, body), 422, "invalid_body")["errors"]
    assert (fault["pointer"], fault["code"]) == ("#/position", "conflicts")
    assert [one for one in (*words, "participation none") if one not in fault["detail"]] == []


def test_nobody_is_signed_up_by_a_decision_of_a_recalled_version_and_anybody_may_be_taken_out(clinic):
    passed = clinic.post_battery(small("A"))
    path = f"/v1/decisions/{passed['id']}/sign-offs"
    clinic.post(path, signed(passed, "protected_loading", "full_training"))
    retire(clinic, "2026-11-01")

    why = (f"{SET}/1 is retired from 2026-11-01 on (a limit was mistyped)", "(protected_loading, full_training)")
    assert_not_up(clinic, path, signed(passed, "rebuild", "modified_training"), *why)
    clinic.post(path, signed(passed, "protected_loading", "modified_training"))
    assert_not_up(clinic, path, signed(passed, "protected_loading", "full_training"))
    clinic.post(path, signed(passed, "rebuild", "none"))
    clinic.post(path, {"decision_digest": passed["digest"], "determination": "agree"})


def test_nobody_is_signed_up_while_the_version_after_that_of_the_decision_is_recalled(clinic):
    passed = clinic.post_battery(small("A"))
    adopt(clinic.world, read_criteria_set({**ankle_set().document, "version": 2}), "2026-11-21")
    clinic.at("2026-11-22T18:00:00+01:00")
    path = f"/v1/decisions/{passed['id']}/sign-offs"
    clinic.post(path, signed(passed, "rebuild", "modified_training"))
    retire(clinic, "2026-11-22", version=2)

    assert_not_up(clinic, path, signed(passed, "rebuild", "full_training"), f"no version of {SET} is in force")


def test_a_position_without_a_decision_goes_down_while_no_version_is_in_force(clinic):
    passed = clinic.post_battery(small("A"))
    path = f"/v1/episodes/{passed['episode_id']}/sign-offs"
    clinic.post(path, alone("rebuild", "full_training"))
    retire(clinic, "2026-11-01")

    assert_not_up(clinic, path, alone("running", "modified_training"), "is retired", "(rebuild, full_training)")
    clinic.post(path, alone("rebuild", "modified_training"))
    added = clinic.post(path, alone("protected_loading", "none"))
    assert added["caution"] == passed["caution"]


def test_a_position_that_has_lapsed_is_none_to_go_back_to_while_no_version_is_in_force(clinic):
    passed = clinic.post_battery(small("A"))
    path = f"/v1/episodes/{passed['episode_id']}/sign-offs"
    clinic.post(path, alone("running", "modified_training"))
    retire(clinic, "2026-11-01")
    clinic.at("2026-11-28T08:00:00+01:00")
    until = {"valid_until": "2026-12-10"}

    assert_not_up(clinic, path, alone("running", "modified_training") | until, "(none is set)")
    clinic.post(path, alone("protected_loading", "none") | until)


def test_who_was_never_judged_is_taken_out_by_the_newest_version_of_the_condition(clinic):
    told = clinic.post_battery(small("A", target_stage=None))
    path = f"/v1/episodes/{told['episode_id']}/sign-offs"
    retire(clinic, "2026-11-01")

    assert_not_up(clinic, path, alone("protected_loading", "modified_training"), "is retired")
    clinic.post(path, alone("protected_loading", "none"))


def test_where_no_version_was_ever_made_for_the_condition_no_stage_is_known(clinic):
    told = clinic.post_battery(small("A", target_stage=None))
    event = {"kind": "reclassified", "condition": "high_ankle_sprain", "on": "2026-11-20"}
    clinic.post(f"/v1/episodes/{told['episode_id']}/events", event)

    path = f"/v1/episodes/{told['episode_id']}/sign-offs"
    assert_problem(clinic.refused(path, alone("protected_loading", "none")), 422, "no_criteria_in_force")


def test_where_another_set_took_the_place_its_stages_are_named(clinic):
    passed = clinic.post_battery(small("A"))
    other = read_criteria_set({**ankle_set().document, "id": "club-ankle"})
    retire(clinic, "2026-11-20")
    adopt(clinic.world, other, "2026-11-20")

    clinic.post(f"/v1/episodes/{passed['episode_id']}/sign-offs", alone("running", "modified_training"))
    assert clinic.chain(passed["athlete_id"])[-1].content["criteria"] == other.digest
