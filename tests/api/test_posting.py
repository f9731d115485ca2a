"""Batteries posted: kept, judged, answered; what is refused, where, and that nothing of it stays."""

import json
from collections.abc import Iterator
from typing import Any

import pytest

from schemas.appending import StoredBatterySchema
from schemas.battery import KINDS
from schemas.decision import DecisionSchema
from schemas.faults import load
from schemas.strict_json import read
from service.api.examples import BATTERIES as DOCUMENTED
from service.api.examples import BATTERY, DECISION
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import ATHLETE, EPISODE, Clinic, new_clinic, send, small, whole

BATTERIES = "/v1/batteries"
NOW = "2026-11-20T18:00:00+01:00"


@pytest.fixture
def clinic(database_url: str) -> Iterator[Clinic]:
    """A clinic whose record, whatever is told in a test, is sound at its end."""
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


def places(problem: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["pointer"], one["code"]) for one in problem["errors"]]


def measured(*measurements: Any) -> dict[str, Any]:
    return {"measurements": list(measurements)}


def without_ids(answer: Any) -> Any:
    """An answer without what is new each time or with each release."""
    if isinstance(answer, dict):
        new = ("id", "battery_id", "athlete_id", "episode_id", "digest", "previous_digest", "service_version")
        return {key: without_ids(one) for key, one in answer.items() if key not in new}
    return [without_ids(one) for one in answer] if isinstance(answer, list) else answer


# What is answered


def test_the_documented_battery_gets_the_documented_decision(clinic):
    clinic.at("2026-10-12T16:40:00+02:00")

    response = send(clinic.submitter, BATTERIES, BATTERY)

    assert response.status_code == 201
    assert without_ids(response.json) == without_ids(DECISION)
    assert response.json["criteria_set"]["digest"] == DECISION["criteria_set"]["digest"]
    assert response.headers["Location"] == f"/v1/decisions/{response.json['id']}"
    assert load(DecisionSchema(), read(response.data)[0])[1] == []


def test_every_documented_battery_can_be_posted(clinic):
    clinic.at("2026-10-13T09:00:00+02:00")

    answers = {kind: send(clinic.submitter, BATTERIES, one["value"]) for kind, one in DOCUMENTED.items()}

    assert {kind: one.status_code for kind, one in answers.items()} == dict.fromkeys(DOCUMENTED, 201)
    assert set(DOCUMENTED) > set(KINDS)


def test_a_passing_battery_is_kept_and_judged(clinic):
    answer = clinic.post_battery(whole())

    assert (answer["outcome"], answer["created"]) == ("pass", ["athlete", "episode"])
    assert [one["code"] for one in answer["data_quality"]][:2] == ["new_athlete", "new_episode"]
    assert answer["standing"] == {"state": "standing", "until": "2026-11-27", "awaiting_sign_off": True}
    assert answer["caution"]["text"]
    assert [one.kind for one in clinic.assert_intact(answer["athlete_id"])] == ["battery", "decision"]


def test_what_is_only_recorded_is_not_judged(clinic):
    response = send(clinic.submitter, BATTERIES, small(target_stage=None))

    assert response.status_code == 201
    assert response.headers["Location"] == f"/v1/batteries/{response.json['battery_id']}"
    assert load(StoredBatterySchema(), response.json)[1] == []
    assert clinic.rows()["decisions"] == 0


def test_what_is_only_recorded_may_be_older_than_every_version(database_url):
    clinic = new_clinic(database_url, from_="2026-11-01")

    old = small(at="2026-10-10T10:00:00+02:00", target_stage=None)

    assert "battery_id" in clinic.post_battery(old)


def test_a_baseline_belongs_to_no_episode(clinic):
    body = builders.baseline(
        "B", "2026-08-01T10:00:00+02:00", [builders.measured("heel_rise_repetitions", "left", "25")]
    )

    answer = clinic.post_battery(body["battery"] | {"athlete": ATHLETE})

    assert (answer["episode_id"], answer["created"]) == (None, ["athlete"])


def test_a_quiet_morning_is_judged_with_its_evening(clinic):
    evening = clinic.post_battery(whole(target_stage="team_training"))
    clinic.at("2026-11-21T09:00:00+01:00")

    morning = clinic.post_battery(builders.follow_up("A")["battery"] | {"athlete": {"ref": "KB-1"}})

    assert (morning["target_stage"], morning["outcome"]) == ("team_training", "pass")
    assert clinic.state_of(evening["id"]) == "superseded"
    assert clinic.state_of(morning["id"]) == "standing"


def test_a_morning_after_a_later_occasion_is_kept_and_not_judged(clinic):
    clinic.post_battery(small("A"))
    clinic.at("2026-11-21T18:00:00+01:00")
    clinic.post_battery(small("B", "2026-11-21T07:00:00+01:00"))
    morning = builders.follow_up("A", "2026-11-21T08:00:00+01:00")["battery"]

    answer = clinic.post_battery(morning | {"athlete": {"ref": "KB-1"}})

    assert "outcome" not in answer


def test_a_morning_of_what_was_not_judged_is_kept_only(clinic):
    clinic.post_battery(small("A", target_stage=None))
    clinic.at("2026-11-21T09:00:00+01:00")

    answer = clinic.post_battery(builders.follow_up("A")["battery"] | {"athlete": {"ref": "KB-1"}})

    assert "outcome" not in answer


def test_a_morning_belongs_to_the_episode_of_its_evening(clinic):
    clinic.post_battery(small("A"))
    other = EPISODE | {"ref": "KB-1-2", "involved_side": "right"}
    clinic.post_battery(small("B", "2026-11-20T17:00:00+01:00", episode=other, target_stage=None))
    clinic.at("2026-11-21T09:00:00+01:00")
    known = {"athlete": {"ref": "KB-1"}, "episode": other | {"new": False}}

    refused = clinic.refused(BATTERIES, builders.follow_up("A")["battery"] | known, SUBMITTER)

    assert places(assert_problem(refused, 409, "conflicts")) == [("#/follows", "conflicts")]


def test_a_correction_takes_the_place_of_a_battery_and_is_judged_anew(clinic):
    wrong = clinic.post_battery(small("A"))
    other = clinic.decide(wrong["episode_id"], "running")
    limping = builders.SESSION_CHECK | {"limp": True}

    right = clinic.post_battery(small("A", session_check=limping, supersedes={"ref": "A"}))

    assert right["outcome"] == "hold"
    assert right["withdrawn"] == [other["id"]]
    assert clinic.state_of(wrong["id"]) == "superseded"
    assert {row["revision"]: row["state"] for row in clinic.found("batteries", ref="A")} == {
        1: "superseded",
        2: "standing",
    }


def test_a_correction_that_asks_for_nothing_judges_nothing(clinic):
    wrong = clinic.post_battery(small("A"))

    answer = clinic.post_battery(small("A", supersedes={"id": wrong["battery_id"]}, target_stage=None))

    assert answer["withdrawn"] == [wrong["id"]]
    assert clinic.state_of(wrong["id"]) == "withdrawn"


def test_stations_of_one_occasion_are_judged_together(clinic):
    first = small("A", occasion="friday", target_stage=None)
    clinic.post_battery(first)

    answer = clinic.post_battery(
        small("B", occasion="friday", measurements=[{"test": "confidence", "value": 7}], referral=None)
    )

    assert answer["outcome"] == "pass"
    assert len(answer["used"]) == 2


# Retries


def test_the_same_request_is_answered_again_and_done_once(clinic):
    first = send(clinic.submitter, BATTERIES, small(), key="one")
    again = send(clinic.submitter, BATTERIES, small(), key="one")

    assert (again.status_code, again.json) == (201, first.json)
    assert again.headers["Location"] == first.headers["Location"]
    assert "Idempotency-Replayed" not in first.headers
    assert again.headers["Idempotency-Replayed"] == "true"
    assert clinic.rows()["batteries"] == 1


def test_a_battery_written_otherwise_is_the_same_battery(clinic):
    body = small(tester="Zoë", measurements=[builders.measured("side_hop_time", "left", "9.6")])
    text = json.dumps(body, default=float)
    turned = json.dumps(dict(reversed(body.items())), default=float, ensure_ascii=False, indent=2)
    assert turned.count("9.6") == 1
    turned = turned.replace("9.6", "9.60")

    first = send(clinic.submitter, BATTERIES, None, text=text, key="one")
    again = send(clinic.submitter, BATTERIES, None, text=turned, key="one")

    assert (again.status_code, again.json) == (201, first.json)


def test_a_key_is_one_requests_own(clinic):
    clinic.post_battery(small("A"), key="one")

    assert_problem(clinic.refused(BATTERIES, small("B"), SUBMITTER, key="one"), 422, "key_reused")


def test_a_key_is_its_senders_own(clinic):
    clinic.post_battery(small("A"), key="one")

    assert clinic.post(BATTERIES, small("B", "2026-11-20T17:00:00+01:00"), key="one")["outcome"] == "pass"


def test_a_refused_request_does_not_spend_its_key(clinic):
    clinic.refused(BATTERIES, small(athlete={"ref": "KB-1"}), SUBMITTER, key="one")

    assert clinic.post_battery(small(), key="one")["outcome"] == "pass"


def test_without_a_key_nothing_is_done(clinic):
    response = clinic.submitter.post(BATTERIES, small(), headers={"Idempotency-Key": ""})

    assert_problem(response, 400, "idempotency_key_missing")


def test_a_decision_that_is_answered_again_reads_as_it_stands_today(clinic):
    clinic.post_battery(small("A"), key="one")
    clinic.at("2026-11-28T10:00:00+01:00")

    assert clinic.post_battery(small("A"), key="one")["standing"]["state"] == "expired"


def test_what_was_only_kept_is_answered_again_with_what_it_withdrew(clinic):
    passed = clinic.post_battery(small("A"))
    setback = {"events": [{"kind": "setback", "on": "2026-11-20"}]}
    body = small("B", "2026-11-20T17:00:00+01:00", since_last=setback, target_stage=None)

    first = send(clinic.submitter, BATTERIES, body, key="one")
    again = send(clinic.submitter, BATTERIES, body, key="one")

    assert first.json["withdrawn"] == [passed["id"]]
    assert (again.status_code, again.json) == (201, first.json)


# Time


def test_a_pass_stands_for_the_days_that_its_set_says(clinic):
    passed = clinic.post_battery(small("A"))["id"]

    assert clinic.at("2026-11-27T23:59:00+01:00").state_of(passed) == "standing"
    assert clinic.at("2026-11-28T00:01:00+01:00").state_of(passed) == "expired"


def test_a_late_battery_changes_no_decision_made_before_it_and_withdraws_the_pass_that_did_not_see_it(clinic):
    passed = clinic.post_battery(small("A"))
    limping = builders.SESSION_CHECK | {"limp": True}

    late = clinic.post_battery(small("B", "2026-11-18T10:00:00+01:00", session_check=limping, referral=None))

    assert late["outcome"] == "hold"
    assert clinic.state_of(late["id"]) == "superseded"
    assert late["withdrawn"] == [passed["id"]]
    assert clinic.decision(passed["id"])["outcome"] == "pass"
    assert clinic.row("episodes", ref="KB-1-1")["current_decision_id"] == passed["id"]


def test_a_back_dated_battery_does_not_see_its_future(clinic):
    clinic.post_battery(small("A"))

    late = clinic.post_battery(small("B", "2026-11-18T10:00:00+01:00", measurements=[], referral=None))

    assert {one["criterion"]: one["code"] for one in late["reasons"]}["pain-24h-moderate"] == "missing_test"
    assert "unanswered" in {one["code"] for one in late["holds"]}


def test_a_pass_recorded_late_is_born_withdrawn_by_a_setback_since(clinic):
    told = clinic.post_battery(small("A", target_stage=None))
    clinic.at("2026-11-25T10:00:00+01:00")
    clinic.post(f"/v1/episodes/{told['episode_id']}/events", {"kind": "setback", "on": "2026-11-22"})

    late = clinic.post_battery(small("B", "2026-11-20T17:30:00+01:00"))

    assert (late["outcome"], late["standing"]["state"]) == ("pass", "withdrawn")
    assert late["withdrawn"] == []


# Which version


def test_before_the_first_version_nothing_judges(database_url):
    clinic = new_clinic(database_url, from_="2026-12-01")

    problem = assert_problem(clinic.refused(BATTERIES, small(), SUBMITTER), 422, "no_criteria_in_force")

    assert problem["facts"]["in_force_from"] == "2026-12-01"
    assert places(problem) == [("#/performed_at", "conflicts")]


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"criteria_set": "club-ankle"}, "#/criteria_set"),
        ({"episode": EPISODE | {"condition": "hamstring_strain"}}, "#/episode/condition"),
    ],
)
def test_what_no_version_is_made_for_is_named_where_it_stands(clinic, changes, place):
    problem = assert_problem(clinic.refused(BATTERIES, small(**changes), SUBMITTER), 422, "no_criteria_in_force")

    assert places(problem) == [(place, "conflicts")]


def test_a_version_is_an_assertion_and_no_choice(clinic):
    refused = clinic.refused(BATTERIES, small(criteria_version=7), SUBMITTER)

    problem = assert_problem(refused, 409, "version_not_in_force")
    assert places(problem) == [("#/criteria_version", "version_not_in_force")]
    assert clinic.post_battery(small(criteria_version=1))["criteria_set"]["version"] == 1


def test_a_stage_is_one_of_the_set(clinic):
    problem = assert_problem(clinic.refused(BATTERIES, small(target_stage="match"), SUBMITTER), 422, "unknown_stage")

    assert "rebuild" in problem["facts"]["stages"]
    assert places(problem) == [("#/target_stage", "unknown_name")]


# Whom


def test_an_unknown_ref_needs_new(clinic):
    athlete = clinic.refused(BATTERIES, small(athlete={"ref": "KB-1"}), SUBMITTER)
    problem = assert_problem(athlete, 422, "unknown_athlete")
    assert places(problem) == [("#/athlete/ref", "unknown_name")]

    known = EPISODE | {"new": False}
    assert_problem(clinic.refused(BATTERIES, small(episode=known), SUBMITTER), 422, "unknown_episode")


def test_refs_of_another_organisation_are_unknown_here(clinic, database_url):
    new_clinic(database_url).post_battery(small())

    known = small(athlete={"ref": "KB-1"}, episode=EPISODE | {"new": False})

    assert_problem(clinic.refused(BATTERIES, known, SUBMITTER), 422, "unknown_athlete")
    assert clinic.post_battery(small())["created"] == ["athlete", "episode"]


def test_an_episode_is_one_athletes_own(clinic):
    clinic.post_battery(small())

    other = small("B", athlete={"ref": "KB-2", "new": True})
    problem = assert_problem(clinic.refused(BATTERIES, other, SUBMITTER), 409, "conflicts")

    assert places(problem) == [("#/episode/ref", "conflicts")]


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"athlete": ATHLETE | {"birth_year": 2001}}, "#/athlete/birth_year"),
        ({"episode": EPISODE | {"involved_side": "right"}}, "#/episode/involved_side"),
        ({"episode": EPISODE | {"onset_on": "2026-10-05"}}, "#/episode/onset_on"),
        ({"episode": EPISODE | {"other_side": "unknown"}}, "#/episode/other_side"),
        ({"episode": EPISODE | {"condition": "high_ankle_sprain"}}, "#/episode/condition"),
    ],
)
def test_other_facts_than_those_on_record_are_refused(clinic, changes, where):
    clinic.post_battery(small("A", target_stage=None))

    refused = clinic.refused(BATTERIES, small("B", "2026-11-20T17:00:00+01:00", **changes), SUBMITTER)

    problem = assert_problem(refused, 409, "conflicts")
    assert places(problem) == [(where, "conflicts")]
    if "episode" in changes:
        assert "an event" in problem["errors"][0]["detail"]


def test_a_ref_is_one_batterys_own(clinic):
    first = clinic.post_battery(small("A"))

    refused = clinic.refused(BATTERIES, small("A", "2026-11-20T17:00:00+01:00"), SUBMITTER)

    assert_problem(refused, 409, "ref_taken")
    assert refused.headers["Link"] == f'</v1/batteries/{first["battery_id"]}>; rel="related"'


def test_what_was_superseded_is_not_superseded_again(clinic):
    first = clinic.post_battery(small("A", target_stage=None))
    newer = clinic.post_battery(small("A", supersedes={"ref": "A"}, target_stage=None))

    refused = clinic.refused(BATTERIES, small("C", supersedes={"id": first["battery_id"]}), SUBMITTER)

    assert_problem(refused, 409, "conflicts")
    assert newer["battery_id"] in refused.headers["Link"]


def test_what_an_occasion_has_is_not_measured_again(clinic):
    clinic.post_battery(small("A", occasion="friday"))

    again = clinic.refused(BATTERIES, small("B", "2026-11-20T17:00:00+01:00", occasion="friday"), SUBMITTER)

    problem = assert_problem(again, 409, "already_measured")
    assert places(problem) == [("#/measurements/0", "duplicate")]


def test_a_recurrence_names_an_episode_of_the_athlete(clinic):
    first = clinic.post_battery(small("A"))
    again = EPISODE | {"ref": "KB-1-2", "onset_on": "2026-11-15", "recurrence_of": "KB-1-1"}

    answer = clinic.post_battery(small("B", "2026-11-20T17:00:00+01:00", episode=again))

    assert clinic.row("episodes", ref="KB-1-2")["recurrence_of"] == first["episode_id"]
    assert answer["created"] == ["episode"]
    unknown = again | {"ref": "KB-1-3", "recurrence_of": "KB-9"}
    refused = clinic.refused(BATTERIES, small("C", "2026-11-20T17:10:00+01:00", episode=unknown), SUBMITTER)
    assert places(assert_problem(refused, 422, "invalid_battery")) == [("#/episode/recurrence_of", "unknown_name")]


def test_two_open_episodes_take_away_each_others_reference(clinic):
    passed = clinic.post_battery(whole("A"))
    assert passed["outcome"] == "pass"
    right = EPISODE | {"ref": "KB-1-2", "involved_side": "right", "onset_on": "2026-11-10", "other_side": "healthy"}

    other = clinic.post_battery(small("B", "2026-11-20T17:00:00+01:00", episode=right))

    assert other["withdrawn"] == [passed["id"]]
    again = clinic.decide(passed["episode_id"], "hop_and_cut")
    codes = {one["criterion"]: (one["code"], one["route"]) for one in again["reasons"] if one["part_of"] is None}
    assert codes["lunge-symmetry"][1] == "without_reference"

    clinic.post(f"/v1/episodes/{other['episode_id']}/events", {"kind": "closed", "at": NOW, "cause": "healed"})
    closed = clinic.decide(passed["episode_id"], "hop_and_cut")
    assert "without_reference" in {one["route"] for one in closed["reasons"]}, "it was open when this was measured"
    clinic.at("2026-11-21T18:00:00+01:00")
    measured_since = clinic.post_battery(whole("C", "2026-11-21T16:30:00+01:00"))
    assert {one["route"] for one in measured_since["reasons"]} == {None}


# What is refused at the door


@pytest.mark.parametrize(
    ("changes", "where", "code"),
    [
        ({"measurements": [{"test": "no_such_test", "value": 1}]}, "#/measurements/0/test", "unknown_name"),
        ({"measurements": [{"test": "pain_worst_24h", "value": 11}]}, "#/measurements/0/value", "out_of_range"),
        (
            measured({"test": "pain_worst_24h", "trials": [{"value": 11}]}),
            "#/measurements/0/trials/0/value",
            "out_of_range",
        ),
        ({"measurements": [{"test": "pain_worst_24h", "value": 1.5}]}, "#/measurements/0/value", "not_whole"),
        ({"measurements": [{"test": "pain_worst_24h", "value": "1"}]}, "#/measurements/0/value", "wrong_type"),
        (
            measured({"test": "pain_worst_24h", "value": 1}, {"test": "pain_worst_24h", "value": 1}),
            "#/measurements/1",
            "duplicate",
        ),
        (measured({"test": "pain_worst_24h", "side": "left", "value": 1}), "#/measurements/0/side", "wrong_side"),
        (measured({"test": "heel_rise_repetitions", "value": 1}), "#/measurements/0/side", "missing"),
        (
            measured({"test": "side_hop_time", "side": "left", "value": 9.6}),
            "#/measurements/0/unit",
            "unit_missing",
        ),
        (
            measured({"test": "side_hop_time", "side": "left", "unit": "cm", "value": 9.6}),
            "#/measurements/0/unit",
            "wrong_unit",
        ),
        (
            measured({"test": "pain_worst_24h", "trials": [{"value": 1}, {"value": 1}]}),
            "#/measurements/0/trials",
            "too_many_trials",
        ),
        ({"performed_at": "2026-11-20T18:05:01+01:00"}, "#/performed_at", "in_the_future"),
        ({"performed_at": "2026-10-03T10:00:00+02:00"}, "#/performed_at", "before_onset"),
        ({"performed_at": "2026-11-20T16:30:00"}, "#/performed_at", "wrong_type"),
        (
            {"since_last": {"events": [{"kind": "setback", "on": "2026-11-21"}]}},
            "#/since_last/events/0/on",
            "in_the_future",
        ),
        (
            {"since_last": {"events": [{"kind": "setback", "on": "2026-10-03"}]}},
            "#/since_last/events/0/on",
            "before_onset",
        ),
        ({"session_check": {"limpp": False}}, "#/session_check/limpp", "unknown_name"),
        ({"session_check": {"pain_at_rest": 11}}, "#/session_check/pain_at_rest", "out_of_range"),
        ({"setup": {"footwear": "Court Shoe"}}, "#/setup/footwear", "unknown_name"),
        ({"referral": {"no_such_question": True}}, "#/referral/no_such_question", "unknown_name"),
        ({"athlete": ATHLETE | {"birth_year": 2027}}, "#/athlete/birth_year", "in_the_future"),
        ({"follows": {"ref": "A"}}, "#/follows", "conflicts"),
        ({"supersedes": {"ref": "A"}}, "#/supersedes", "unknown_name"),
        ({"episode": None}, "#/episode", "missing"),
        ({"weight": 70}, "#/weight", "unknown_field"),
        ({"tester": "a\0b"}, "#/tester", "bad_text"),
        ({"kind": "quick"}, "#/kind", "unknown_name"),
    ],
)
def test_a_fault_is_told_where_it_was_written(clinic, changes, where, code):
    refused = clinic.refused(BATTERIES, small(**changes), SUBMITTER)

    assert (where, code) in places(assert_problem(refused, 422, "invalid_battery"))


def test_all_faults_against_catalogue_and_record_are_told_at_once(clinic):
    body = small(
        performed_at="2026-11-21T10:00:00+01:00",
        measurements=[{"test": "pain_worst_24h", "value": 11}, {"test": "nothing", "value": 1}],
        setup={"footwear": "clogs"},
    )

    problem = assert_problem(clinic.refused(BATTERIES, body, SUBMITTER), 422, "invalid_battery")

    assert {where for where, _ in places(problem)} == {
        "#/performed_at",
        "#/measurements/0/value",
        "#/measurements/1/test",
        "#/setup/footwear",
    }


def test_a_follow_up_comes_in_its_time(clinic):
    clinic.post_battery(small("A"))
    clinic.at("2026-11-24T10:00:00+01:00")
    late = builders.follow_up("A", "2026-11-23T08:00:00+01:00")["battery"] | {"athlete": {"ref": "KB-1"}}

    problem = assert_problem(clinic.refused(BATTERIES, late, SUBMITTER), 422, "invalid_battery")

    assert places(problem) == [("#/performed_at", "out_of_range")]


@pytest.mark.parametrize(
    ("text", "status", "code"),
    [
        ("{", 400, "broken_json"),
        ('{"kind": NaN}', 400, "broken_json"),
        ("[" * 13 + "]" * 13, 400, "too_deep"),
        ('"' + "x" * 1024 * 1024 + '"', 413, "too_large"),
    ],
)
def test_a_body_that_cant_be_read_is_refused_as_a_whole(clinic, text, status, code):
    refused = clinic.refused(BATTERIES, None, SUBMITTER, text=text)

    assert_problem(refused, status, code)


def test_a_body_of_another_type_is_not_read(clinic):
    response = clinic.submitter.post(BATTERIES, data="kind=assessment", headers={"Content-Type": "text/plain"})

    assert_problem(response, 415, "unsupported_media_type")


def test_an_administrator_posts_no_batteries(clinic):
    assert_problem(clinic.refused(BATTERIES, small(), ADMINISTRATOR), 403, "forbidden")
    assert clinic.post(BATTERIES, small(), CLINICIAN)["outcome"] == "pass"


# Judging what is stored


def test_what_is_stored_is_judged_now(clinic):
    stored = clinic.post_battery(small(target_stage=None))
    clinic.at("2026-11-20T20:00:00+01:00")

    response = send(clinic.submitter, f"/v1/episodes/{stored['episode_id']}/decisions", {"target_stage": "rebuild"})

    answer = response.json
    assert response.headers["Location"] == f"/v1/decisions/{answer['id']}"
    assert load(DecisionSchema(), read(response.data)[0])[1] == []
    assert (answer["outcome"], answer["battery_id"]) == ("pass", None)
    assert answer["as_of"] == "2026-11-20T19:00:00.000000Z"
    assert clinic.state_of(answer["id"]) == "standing"


def test_a_submitter_is_told_nothing_of_an_episode_of_which_it_has_posted_no_battery(clinic):
    stored = clinic.post(BATTERIES, small("A"), CLINICIAN)
    path, stage = f"/v1/episodes/{stored['episode_id']}/decisions", {"target_stage": "rebuild"}

    assert_problem(send(clinic.submitter, path, stage), 404, "not_found")

    clinic.at("2026-11-20T18:00:00+01:00").post_battery(small("B", "2026-11-20T17:30:00+01:00"))
    assert send(clinic.submitter, path, stage).status_code == 201


def test_a_decision_on_what_is_stored_is_made_once(clinic):
    path = f"/v1/episodes/{clinic.post_battery(small(target_stage=None))['episode_id']}/decisions"

    first = send(clinic.submitter, path, {"target_stage": "rebuild"}, key="one")
    again = send(clinic.submitter, path, {"target_stage": "rebuild"}, key="one")

    assert (again.status_code, again.json) == (201, first.json)
    assert clinic.rows()["decisions"] == 1


def test_yesterdays_evidence_is_too_old_for_what_was_measured_for_today(clinic):
    stored = clinic.post_battery(small(target_stage=None))
    clinic.at("2026-11-23T10:00:00+01:00")

    answer = clinic.decide(stored["episode_id"])

    assert {one["criterion"]: one["code"] for one in answer["reasons"]}["pain-24h-moderate"] == "too_old"


def test_where_no_battery_counts_nothing_is_judged(clinic):
    stored = clinic.post_battery(small(target_stage=None))
    clinic.post(f"/v1/entries/{stored['battery_id']}/void", {"reason": "the wrong athlete"})

    path = f"/v1/episodes/{stored['episode_id']}/decisions"
    problem = assert_problem(clinic.refused(path, {"target_stage": "rebuild"}), 422, "invalid_body")

    assert places(problem) == [("#/target_stage", "missing")]


def test_a_decision_is_asked_of_an_episode_of_ones_own(clinic, database_url):
    theirs = new_clinic(database_url).post_battery(small())["episode_id"]

    refused = clinic.refused(f"/v1/episodes/{theirs}/decisions", {"target_stage": "rebuild"})

    assert_problem(refused, 404, "not_found")


def test_both_answers_to_a_battery_are_documented(clinic):
    told = clinic.submitter.get("/openapi.json").json["components"]["schemas"]["PostedBattery"]

    assert {one["$ref"].rsplit("/", 1)[1] for one in told["anyOf"]} == {"Decision", "StoredBattery"}
    assert set(told) == {"anyOf", "description"}
