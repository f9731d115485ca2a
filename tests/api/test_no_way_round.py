"""Ways round what holds, each tried by somebody who wanted to get past it, and closed."""

from typing import Any

import pytest

from service.use_cases.context import ADMINISTRATOR, SUBMITTER
from service.use_cases.rebuilding import check
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import EPISODE, Clinic, new_clinic, send, small, whole
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


def test_a_morning_before_a_corrected_occasion_answers_nothing_of_it(clinic):
    at_gate = {"target_stage": "competition"}
    clinic.at("2026-11-25T18:00:00+01:00")
    clinic.post_battery(whole("A", "2026-11-20T16:30:00+01:00", **at_gate))
    morning = clinic.post_battery({**builders.follow_up("A")["battery"], "athlete": {"ref": "KB-1"}})

    moved = clinic.post_battery(whole("A", "2026-11-22T16:30:00+01:00", supersedes={"ref": "A"}, **at_gate))

    assert morning["outcome"] == "pass"
    assert (moved["outcome"], moved["hold_because"]) == ("hold", ["awaiting_response"])
    assert_state_is_what_the_record_says(clinic)


def test_a_follow_up_of_a_baseline_is_refused(clinic):
    body = small("BL", kind="baseline", episode=None, referral=None, since_last=None, target_stage=None)
    clinic.post_battery(body)

    refused = send(clinic.submitter, "/v1/batteries", follow_up_of("BL", "2026-11-20T17:00:00+01:00"))

    assert_problem(refused, 422, "invalid_battery")
    assert [one["pointer"] for one in refused.json["errors"]] == ["#/follows"]


def follow_up_of(ref: str, at: str) -> dict[str, Any]:
    return {**builders.follow_up(ref, at)["battery"], "athlete": {"ref": "KB-1"}}


def test_what_is_left_of_an_erased_record_can_be_asked_for(clinic):
    posted = clinic.post_battery(small("A"))
    clinic.post(f"/v1/entries/{posted['battery_id']}/void", {"reason": "wrong"})
    path = f"/v1/athletes/{posted['athlete_id']}/erasure"
    clinic.post(path, {"scope": "full", "reason": "asked"}, role=ADMINISTRATOR)

    asked = [f"/v1/athletes/{posted['athlete_id']}", f"/v1/episodes/{posted['episode_id']}", "/v1/decisions"]

    assert [clinic.clinician.get(one).status_code < 500 for one in asked] == [True] * 3


def test_a_pass_with_a_later_hold_below_it_supports_no_position_of_its_own(clinic):
    passed = clinic.post_battery(whole("A"))
    clinic.at("2026-11-22T18:00:00+01:00")
    clinic.post_battery(small("B", "2026-11-22T17:00:00+01:00", measurements=[{"test": "pain_worst_24h", "value": 8}]))
    body = {
        "decision_digest": passed["digest"],
        "determination": "agree",
        "position": {"stage": "hop_and_cut", "participation": "full_training"},
    }

    assert clinic.state_of(passed["id"]) == "standing"
    refused = clinic.refused(f"/v1/decisions/{passed['id']}/sign-offs", body)
    assert [one["pointer"] for one in refused.json["errors"]] == ["#/position/stage"]


def test_a_mistyped_birth_year_is_corrected_by_the_battery_that_takes_the_place(clinic):
    clinic.post_battery(small("A", athlete={"ref": "KB-1", "new": True, "birth_year": 1990}))
    other = small("B", "2026-11-20T17:00:00+01:00", athlete={"ref": "KB-1", "birth_year": 2000})
    refused = clinic.refused("/v1/batteries", other)

    assert "1990" not in refused.text, "what is on record is not for every sender to read"
    corrected = small("A", athlete={"ref": "KB-1", "birth_year": 2000}, supersedes={"ref": "A"})
    assert clinic.post_battery(corrected)["outcome"] == "pass"


def test_the_morning_of_history_before_the_first_version_is_kept(database_url):
    clinic = new_clinic(database_url, from_="2026-12-01")
    clinic.post_battery(small("A", "2026-11-18T10:00:00+01:00", target_stage=None))

    kept = clinic.post_battery(follow_up_of("A", "2026-11-19T08:00:00+01:00"))

    assert "outcome" not in kept


def sprained_again(**changes: Any) -> dict[str, Any]:
    return {**EPISODE, "ref": "KB-1-2", "onset_on": "2026-11-21", **changes}


def test_an_ankle_sprained_again_under_another_ref_withdraws_the_pass_and_cancels_what_was_measured(clinic):
    passed = clinic.post_battery(whole("A"))
    clinic.at("2026-11-22T18:00:00+01:00")
    again = sprained_again(recurrence_of="KB-1-1")

    told = clinic.post_battery(small("B", "2026-11-22T17:00:00+01:00", episode=again))

    assert told["withdrawn"] == [passed["id"]]
    held = clinic.decide(passed["episode_id"], "hop_and_cut")
    assert held["outcome"] == "hold"
    assert {one["code"] for one in held["reasons"] if one.get("test")} == {"before_setback"}
    assert_state_is_what_the_record_says(clinic)


@pytest.mark.parametrize("changes", [{}, {"involved_side": "both"}, {"onset_on": EPISODE["onset_on"]}])
def test_a_new_episode_like_an_open_one_is_a_mistyped_ref_unless_it_says_otherwise(clinic, changes):
    clinic.post_battery(small("A"))
    clinic.at("2026-11-22T18:00:00+01:00")
    body = small("B", "2026-11-22T17:00:00+01:00", episode=sprained_again(**changes))

    refused = clinic.refused("/v1/batteries", body, SUBMITTER)

    problem = assert_problem(refused, 409, "conflicts")
    assert [one["pointer"] for one in problem["errors"]] == ["#/episode/ref"]
    assert "recurrence_of" in problem["errors"][0]["detail"]
    assert "KB-1-1" not in refused.text, "the refs of others are not for every sender to read"


@pytest.mark.parametrize("changes", [{"involved_side": "right"}, {"condition": "high_ankle_sprain"}])
def test_a_new_episode_of_another_side_or_condition_is_none_such(clinic, changes):
    clinic.post_battery(small("A"))

    other = sprained_again(**{"onset_on": "2026-11-19", **changes})

    assert clinic.post_battery(small("B", "2026-11-20T17:00:00+01:00", episode=other, target_stage=None))["created"]


def test_a_third_sprain_names_the_second_which_names_the_first(clinic):
    clinic.post_battery(small("A"))
    clinic.at("2026-11-24T18:00:00+01:00")
    clinic.post_battery(small("B", "2026-11-22T17:00:00+01:00", episode=sprained_again(recurrence_of="KB-1-1")))
    third = sprained_again(ref="KB-1-3", onset_on="2026-11-23")

    first_named = small("C", "2026-11-24T17:00:00+01:00", episode=third | {"recurrence_of": "KB-1-1"})
    second_named = small("C", "2026-11-24T17:00:00+01:00", episode=third | {"recurrence_of": "KB-1-2"})

    assert_problem(clinic.refused("/v1/batteries", first_named, SUBMITTER), 409, "conflicts")
    assert clinic.post_battery(second_named)["created"] == ["episode"]


def test_a_new_episode_like_one_that_was_closed_is_taken(clinic):
    passed = clinic.post_battery(small("A"))
    closing = {"kind": "closed", "at": "2026-11-20T17:30:00+01:00", "cause": "well"}
    clinic.post(f"/v1/episodes/{passed['episode_id']}/events", closing)
    clinic.at("2026-11-22T18:00:00+01:00")

    assert clinic.post_battery(small("B", "2026-11-22T17:00:00+01:00", episode=sprained_again()))["created"]


def test_closing_the_other_ankles_episode_does_not_make_it_a_reference_after_the_fact(clinic):
    right = EPISODE | {"ref": "KB-1-2", "involved_side": "right", "onset_on": "2026-11-10"}
    other = clinic.post_battery(small("R", "2026-11-20T16:00:00+01:00", episode=right))
    before = clinic.post_battery(whole("A"))
    clinic.at("2026-11-22T18:00:00+01:00")
    clinic.post(f"/v1/episodes/{other['episode_id']}/events", {"kind": "closed", "on": "2026-11-21", "cause": "well"})

    after = clinic.decide(before["episode_id"], "hop_and_cut")

    routes = [[(one["criterion"], one["route"]) for one in made["reasons"] if one["route"]] for made in (before, after)]
    assert routes[0]
    assert routes[0] == routes[1]


def test_a_battery_posted_late_is_judged_with_the_side_known_by_then(clinic):
    first = clinic.post_battery(small("A", "2026-11-18T10:00:00+01:00"))
    told = {"kind": "corrected", "involved_side": "right", "on": "2026-11-20"}
    clinic.post(f"/v1/episodes/{first['episode_id']}/events", told)

    late = clinic.post_battery(whole("B", "2026-11-19T10:00:00+01:00"))

    roles = {one["role"]: one["side"] for reason in late["reasons"] for one in reason["inputs"] if one.get("side")}
    assert (roles["involved"], roles["other"]) == ("right", "left")
    assert late["standing"]["state"] == "standing"
    kept = clinic.clinician.get(f"/v1/batteries/{late['battery_id']}").json
    assert kept["battery"]["episode"]["involved_side"] == "right"
    assert clinic.clinician.get(f"/v1/decisions/{late['id']}/verification").json["result"] == "identical"
    assert_state_is_what_the_record_says(clinic)


def test_a_battery_posted_late_is_judged_by_the_set_of_the_condition_known_by_then(clinic):
    first = clinic.post_battery(small("A", "2026-11-18T10:00:00+01:00"))
    told = {"kind": "reclassified", "condition": "high_ankle_sprain", "on": "2026-11-20"}
    clinic.post(f"/v1/episodes/{first['episode_id']}/events", told)

    refused = clinic.refused("/v1/batteries", small("B", "2026-11-19T10:00:00+01:00"), SUBMITTER)

    assert_problem(refused, 422, "no_criteria_in_force")


def held_after_a_pass(clinic: Clinic) -> tuple[dict[str, Any], dict[str, Any]]:
    passed = clinic.post_battery(small("A"))
    clinic.at("2026-11-22T18:00:00+01:00")
    painful = [{"test": "pain_worst_24h", "value": 8}]
    return passed, clinic.post_battery(small("B", "2026-11-22T17:00:00+01:00", measurements=painful))


def test_taking_back_a_hold_does_not_bring_back_the_pass_before_it(clinic):
    passed, held = held_after_a_pass(clinic)

    taken = clinic.post(f"/v1/entries/{held['id']}/void", {"reason": "unwelcome"})

    assert taken["withdrawn"] == [held["id"]]
    assert clinic.decision(held["id"])["standing"] == {"state": "void", "until": None, "awaiting_sign_off": False}
    assert clinic.state_of(passed["id"]) == "superseded"
    assert clinic.clinician.get(f"/v1/episodes/{passed['episode_id']}").json["supported_stage"] is None
    assert_state_is_what_the_record_says(clinic)


def test_the_pass_before_a_hold_comes_back_with_the_battery_taken_back_too(clinic):
    passed, held = held_after_a_pass(clinic)
    clinic.post(f"/v1/entries/{held['id']}/void", {"reason": "another athlete's"})

    clinic.post(f"/v1/entries/{held['battery_id']}/void", {"reason": "another athlete's"})

    assert clinic.state_of(passed["id"]) == "standing"
    assert_state_is_what_the_record_says(clinic)


@pytest.mark.parametrize("kind", ["re_injury", "reclassified", "corrected"])
def test_what_was_waived_for_one_limb_is_not_waived_for_another(clinic, kind):
    held = clinic.post_battery(small("A", measurements=[{"test": "pain_worst_24h", "value": 8}]))
    [criterion] = [one["criterion"] for one in held["reasons"] if one["status"] == "not_met"]
    waiver = {"stage": "rebuild", "criterion": criterion, "until": "2026-12-20", "reason": "an old complaint"}
    at = f"/v1/episodes/{held['episode_id']}"
    clinic.post(f"{at}/exceptions", waiver)
    passed = clinic.decide(held["episode_id"])
    facts = {"reclassified": {"condition": "high_ankle_sprain"}, "corrected": {"involved_side": "right"}}

    told = clinic.post(f"{at}/events", {"kind": kind, "on": "2026-11-20", **facts.get(kind, {})})

    assert passed["outcome"] == "pass"
    assert told["withdrawn"] == [passed["id"]]
    asked = {"target_stage": "rebuild", "criteria_set": "lateral-ankle-sprain"}
    again = clinic.post(f"{at}/decisions", asked)
    assert again["outcome"] == "hold"
    assert not any(one["excepted"] for one in again["reasons"])
    assert not clinic.clinician.get(at).json["exceptions"][0]["in_force"]


@pytest.mark.parametrize("stage", [None, "protected_loading"])
def test_a_bad_result_kept_back_until_the_pass_is_made_withdraws_it(clinic, stage):
    passed = clinic.post_battery(whole("A"))
    lower = whole("B", "2026-11-19T16:30:00+01:00", target_stage=stage)

    kept = clinic.post_battery(lower)

    assert kept["withdrawn"] == [passed["id"]]
    standing = clinic.decision(passed["id"])["standing"]
    assert (standing["state"], standing["because"]["code"]) == ("withdrawn", "late_evidence")
    assert "ask for the decision again" in standing["because"]["detail"]
    clinic.decide(passed["episode_id"], "hop_and_cut")
    assert clinic.state_of(passed["id"]) == "superseded"
    assert_state_is_what_the_record_says(clinic)


def test_a_pass_posted_after_a_later_setback_says_why_it_is_withdrawn_at_birth(clinic):
    first = clinic.post_battery(small("A", "2026-11-18T10:00:00+01:00"))
    event = {"kind": "setback", "on": "2026-11-20"}
    clinic.post(f"/v1/episodes/{first['episode_id']}/events", event)

    late = clinic.post_battery(small("B", "2026-11-19T10:00:00+01:00"))

    assert late["standing"]["because"]["code"] == "set_back"
    assert clinic.decision(late["id"])["standing"] == late["standing"]


PAINFUL = {"test": "heel_rise_repetitions", "side": "left", "value": 22, "pain": 9}
WRONG = {
    "referral": YES,
    "since_last": {"events": [{"kind": "setback", "on": "2026-11-15"}], "sessions": []},
    "measurements": [{"test": "pain_worst_24h", "value": 1}, PAINFUL],
}


@pytest.mark.parametrize("stage", ["rebuild", None])
def test_a_submitter_takes_back_nothing_that_holds_without_its_being_named(clinic, stage):
    clinic.post_battery(small("A", **WRONG))
    corrected = small("A", supersedes={"ref": "A"}, target_stage=stage)

    answer = clinic.post_battery(corrected, key="once")

    named = [one["detail"] for one in answer["data_quality"] if one["code"] == "corrected_away"]
    assert [any(word in one for one in named) for word in ("answered yes", "a setback on", "pain 9 in")] == [True] * 3
    assert len(named) == 3
    assert clinic.post_battery(corrected, key="once")["data_quality"] == answer["data_quality"]


def test_what_was_taken_back_stays_named_in_the_next_decision_and_after_the_next_correction(clinic):
    clinic.post_battery(small("A", **WRONG))
    once = clinic.post_battery(small("A", supersedes={"ref": "A"}))
    again = clinic.post_battery(small("A", supersedes={"ref": "A"}))
    asked = clinic.decide(again["episode_id"])

    found = [[one for one in made["data_quality"] if one["code"] == "corrected_away"] for made in (once, again, asked)]
    assert found[0]
    assert found[0] == found[1] == found[2]


def test_a_correction_of_a_baseline_takes_nothing_back(clinic):
    base = {"kind": "baseline", "episode": None, "referral": None, "since_last": None, "target_stage": None}
    clinic.post_battery(small("BL", **base, measurements=[PAINFUL]))

    assert clinic.post_battery(small("BL", **base, supersedes={"ref": "BL"}))["data_quality"] == []


def test_before_any_set_is_in_force_every_pain_taken_back_is_named(database_url):
    clinic = new_clinic(database_url, from_="2026-12-01")
    clinic.post_battery(small("A", target_stage=None, measurements=[PAINFUL | {"pain": 1}]))

    kept = clinic.post_battery(small("A", target_stage=None, supersedes={"ref": "A"}))

    assert [one["detail"] for one in kept["data_quality"]] == [
        "taken back by a correction: pain 1 in heel rise repetitions, left"
    ]
