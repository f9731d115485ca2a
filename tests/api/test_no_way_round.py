"""Ways round what holds, each tried by somebody who wanted to get past it, and closed."""

from typing import Any

import pytest

from service.use_cases.context import SUBMITTER
from service.use_cases.rebuilding import check
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import Clinic, new_clinic, send, small
from tests.world import ACTORS, new_key

QUESTION = "cannot_take_four_steps"
YES = {**builders.referral_answers(), QUESTION: True}


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


def resolved(clinic: Clinic, of: dict[str, Any], **said: str) -> Any:
    path = f"/v1/episodes/{of['episode_id']}/findings/{QUESTION}/resolution"
    return send(clinic.clinician, path, {"rationale": "seen", **said})


def assert_state_is_what_the_record_says(clinic: Clinic) -> None:
    assert check(clinic.world.context, clinic.world.organisation).is_clean


def test_a_confirmed_finding_outlives_the_battery_that_told_it(clinic):
    told = clinic.post_battery(small("A", referral=YES))
    resolved(clinic, told, **{"as": "confirmed"})

    again = clinic.post_battery(small("A", supersedes={"ref": "A"}))

    assert again["standing"]["state"] == "withdrawn", "it was confirmed after the moment that is judged"
    assert clinic.decide(told["episode_id"])["hold_because"][0] == "finding_open"
    assert_state_is_what_the_record_says(clinic)


def test_a_submitter_corrects_own_posts_only(clinic):
    clinic.post_battery(small("A", referral=YES))
    world = clinic.world
    other = world.client_with(new_key(world.context, world.organisation, roles=[SUBMITTER], **ACTORS[SUBMITTER]))

    refused = send(other, "/v1/batteries", small("A", supersedes={"ref": "A"}))

    assert_problem(refused, 422, "invalid_battery")
    assert [one["pointer"] for one in refused.json["errors"]] == ["#/supersedes"]
    assert send(clinic.clinician, "/v1/batteries", small("A", supersedes={"ref": "A"})).status_code == 201


@pytest.mark.parametrize(("on", "status"), [("2026-11-20", 422), ("2026-11-21", 201), ("2026-11-22", 201)])
def test_a_resolution_closes_nothing_that_was_told_after_it(clinic, on, status):
    clinic.at("2026-11-22T18:00:00+01:00")
    told = clinic.post_battery(small("A", "2026-11-18T10:00:00+01:00", referral=YES))
    clinic.post_battery(small("B", "2026-11-21T10:00:00+01:00", referral=YES))

    assert resolved(clinic, told, on=on, **{"as": "ruled_out"}).status_code == status


def test_an_episode_is_not_closed_with_a_finding_open(clinic):
    told = clinic.post_battery(small("A", referral=YES))
    closing = {"kind": "closed", "at": "2026-11-20T17:30:00+01:00", "cause": "well"}

    refused = clinic.refused(f"/v1/episodes/{told['episode_id']}/events", closing)

    assert QUESTION in assert_problem(refused, 409, "conflicts")["detail"]


def test_a_setback_a_few_minutes_ahead_of_our_clock_withdraws_at_once_and_for_good(clinic):
    passed = clinic.post_battery(small("A"))
    event = {"kind": "re_injury", "at": "2026-11-20T18:04:00+01:00"}

    told = clinic.post(f"/v1/episodes/{passed['episode_id']}/events", event)

    assert told["withdrawn"] == [passed["id"]]
    assert clinic.at("2026-11-20T19:00:00+01:00").state_of(passed["id"]) == "withdrawn"
    assert_state_is_what_the_record_says(clinic)
