"""What is added to a record beside batteries, and what it does to decisions made before."""

from collections.abc import Iterator
from typing import Any

import pytest

from schemas.appending import AddedSchema
from schemas.faults import load
from service.use_cases.context import CLINICIAN, PERSON, SUBMITTER, SYSTEM
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import EPISODE, Clinic, created, new_clinic, send, small, whole
from tests.world import new_key

NOW = "2026-11-20T18:00:00+01:00"
FINDING = "cannot_take_four_steps"
NO_BODY: dict[str, Any] = {}


@pytest.fixture
def clinic(database_url: str) -> Iterator[Clinic]:
    """A clinic whose record, whatever is told in a test, is sound at its end."""
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def passed(clinic: Clinic) -> dict[str, Any]:
    return clinic.post_battery(small("A"))


def events(of: dict[str, Any]) -> str:
    return f"/v1/episodes/{of['episode_id']}/events"


def resolution(of: dict[str, Any], finding: str = FINDING) -> str:
    return f"/v1/episodes/{of['episode_id']}/findings/{finding}/resolution"


def exceptions(of: dict[str, Any]) -> str:
    return f"/v1/episodes/{of['episode_id']}/exceptions"


def void(entry: str) -> str:
    return f"/v1/entries/{entry}/void"


def places(problem: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["pointer"], one["code"]) for one in problem["errors"]]


def with_finding(ref: str = "A", **changes: Any) -> dict[str, Any]:
    return small(ref, referral=builders.referral_answers() | {FINDING: True}, **changes)


# Events


@pytest.mark.parametrize("kind", ["giving_way", "setback", "re_injury"])
def test_what_sets_back_withdraws_a_pass(clinic, passed, kind):
    clinic.at("2026-11-22T10:00:00+01:00")

    added = clinic.post(events(passed), {"kind": kind, "on": "2026-11-21"})

    assert load(AddedSchema(), added)[1] == []
    assert (added["kind"], added["withdrawn"]) == ("event", [passed["id"]])
    assert added["occurred_at"] == "2026-11-20T23:00:00.000000Z"
    assert added["caution"] == passed["caution"]
    assert clinic.state_of(passed["id"]) == "withdrawn"
    clinic.assert_intact(passed["athlete_id"])


def test_a_setback_before_the_evidence_withdraws_nothing(clinic, passed):
    assert clinic.post(events(passed), {"kind": "setback", "on": "2026-11-01"})["withdrawn"] == []
    assert clinic.state_of(passed["id"]) == "standing"


def test_a_moment_is_kept_where_it_is_known(clinic, passed):
    added = clinic.post(events(passed), {"kind": "giving_way", "at": NOW})

    entry = next(one for one in clinic.chain(passed["athlete_id"]) if one.id == added["id"])
    assert added["occurred_at"] == "2026-11-20T17:00:00.000000Z"
    assert entry.content == {"kind": "giving_way", "at": "2026-11-20T17:00:00.000000Z"}


def test_an_event_is_told_once(clinic, passed):
    body = {"kind": "setback", "on": "2026-11-20"}
    first = send(clinic.clinician, events(passed), body, key="one")
    clinic.at("2026-11-25T10:00:00+01:00")

    again = send(clinic.clinician, events(passed), body, key="one")

    assert (again.status_code, again.json) == (201, first.json)
    assert first.json["withdrawn"] == [passed["id"]]
    assert again.headers["Idempotency-Replayed"] == "true"
    assert len(clinic.chain(passed["athlete_id"])) == 3
    other = clinic.post_battery(small("B", episode=EPISODE | {"ref": "KB-1-2", "involved_side": "right"}))
    assert_problem(clinic.refused(events(other), body, key="one"), 422, "key_reused")


def test_why_an_episode_was_closed_is_for_people(clinic, passed):
    clinic.post(events(passed), {"kind": "closed", "at": NOW, "cause": "season over"})

    entry = clinic.chain(passed["athlete_id"])[-1]
    assert (entry.content, entry.people) == (
        {"kind": "closed", "at": "2026-11-20T17:00:00.000000Z"},
        {"cause": "season over"},
    )
    assert str(clinic.row("episodes", id=passed["episode_id"])["closed_on"]) == "2026-11-20"


def test_an_episode_goes_on_with_the_next_battery(clinic, passed):
    clinic.post(events(passed), {"kind": "closed", "at": NOW, "cause": "healed"})
    clinic.at("2026-11-22T10:00:00+01:00")

    clinic.post_battery(small("B", "2026-11-22T09:00:00+01:00"))

    assert clinic.row("episodes", id=passed["episode_id"])["closed_on"] is None


def test_a_closed_episode_waits_for_no_retest(clinic):
    limping = builders.SESSION_CHECK | {"limp": True}
    held = clinic.post_battery(small("A", session_check=limping))

    clinic.post(events(held), {"kind": "closed", "at": NOW, "cause": "moved away"})

    assert {row["closed_because"] for row in clinic.found("tasks", kind="retest")} == {"episode_closed"}


def test_a_reclassified_condition_withdraws_and_changes_what_judges(clinic, passed):
    added = clinic.post(events(passed), {"kind": "reclassified", "condition": "high_ankle_sprain", "at": NOW})

    assert added["withdrawn"] == [passed["id"]]
    assert clinic.row("episodes", id=passed["episode_id"])["condition"] == "high_ankle_sprain"
    path = f"/v1/episodes/{passed['episode_id']}/decisions"
    assert_problem(clinic.refused(path, {"target_stage": "rebuild"}), 422, "no_criteria_in_force")
    named = clinic.post(path, {"target_stage": "rebuild", "criteria_set": "lateral-ankle-sprain"})
    assert named["hold_because"] == ["outside_scope"]


def test_a_corrected_side_withdraws_and_is_in_force(clinic, passed):
    added = clinic.post(events(passed), {"kind": "corrected", "involved_side": "right", "on": "2026-11-20"})

    assert added["withdrawn"] == [passed["id"]]
    clinic.at("2026-11-21T18:00:00+01:00")
    now = EPISODE | {"involved_side": "right"}
    assert clinic.post_battery(small("B", "2026-11-21T10:00:00+01:00", episode=now))["outcome"] == "pass"


@pytest.mark.parametrize(
    ("body", "where", "code"),
    [
        ({"kind": "setback", "on": "2026-11-21"}, "#/on", "in_the_future"),
        ({"kind": "setback", "at": "2026-11-20T18:05:01+01:00"}, "#/at", "in_the_future"),
        ({"kind": "setback", "on": "2026-10-03"}, "#/on", "before_onset"),
        ({"kind": "closed", "on": "2026-10-03", "cause": "healed"}, "#/on", "before_onset"),
        ({"kind": "closed", "on": "2026-11-20", "cause": "healed"}, "#/on", "conflicts"),
        ({"kind": "corrected", "onset_on": "2026-11-21", "on": "2026-11-20"}, "#/onset_on", "in_the_future"),
        ({"kind": "corrected", "onset_on": "2026-11-20", "on": "2026-11-20"}, "#/onset_on", "conflicts"),
        ({"kind": "setback"}, "#/on", "missing"),
        ({"kind": "setback", "on": "2026-11-20", "at": NOW}, "#/at", "conflicts"),
        ({"kind": "setback", "on": "2026-11-20", "condition": "other"}, "#/condition", "conflicts"),
        ({"kind": "setback", "on": "2026-11-20", "ref": "KB-9"}, "#/ref", "conflicts"),
        ({"kind": "setback", "on": "2026-11-20", "episode": "KB-1-1"}, "#/episode", "unknown_field"),
        ({"kind": "reclassified", "on": "2026-11-20"}, "#/condition", "missing"),
        ({"kind": "closed", "on": "2026-11-20"}, "#/cause", "missing"),
        ({"kind": "ref_changed"}, "#/ref", "missing"),
        ({"kind": "ref_changed", "ref": "KB-9", "on": "2026-11-20"}, "#/on", "conflicts"),
        ({"kind": "fell"}, "#/kind", "unknown_name"),
        (NO_BODY, "#/kind", "missing"),
    ],
)
def test_a_faulty_event_is_refused(clinic, body, where, code):
    told = {"events": [], "sessions": [{"kind": "easy_run", "on": "2026-11-19", "minutes": 20}]}
    of = clinic.post_battery(small("A", since_last=told))

    refused = clinic.refused(events(of), body)

    assert (where, code) in places(assert_problem(refused, 422, "invalid_body"))


def test_a_boundary_of_an_onset_is_what_is_on_record(clinic):
    told = {"events": [], "sessions": [{"kind": "easy_run", "on": "2026-11-12", "minutes": 20}]}
    of = clinic.post_battery(small("A", since_last=told))
    late = {"kind": "corrected", "onset_on": "2026-11-13", "on": "2026-11-20"}

    assert_problem(clinic.refused(events(of), late), 422, "invalid_body")
    clinic.post(events(of), late | {"onset_on": "2026-11-12"})

    assert clinic.row("episodes", id=of["episode_id"])["onset_on"] == "2026-11-12"


def test_an_onset_lies_before_every_setback_that_counts(clinic, passed):
    told = clinic.post(events(passed), {"kind": "setback", "on": "2026-11-08"})
    late = {"kind": "corrected", "onset_on": "2026-11-10", "on": "2026-11-20"}

    assert_problem(clinic.refused(events(passed), late), 422, "invalid_body")
    clinic.post(void(told["id"]), {"reason": "of another athlete"})

    assert clinic.post(events(passed), late)["withdrawn"] == [passed["id"]]


def test_what_is_in_force_already_is_no_correction(clinic, passed):
    same = {"kind": "corrected", "involved_side": "left", "on": "2026-11-20"}

    assert_problem(clinic.refused(events(passed), same), 409, "conflicts")


def test_an_episode_of_another_organisation_is_not_there(clinic, database_url):
    theirs = new_clinic(database_url).post_battery(small())

    assert_problem(clinic.refused(events(theirs), {"kind": "setback", "on": "2026-11-20"}), 404, "not_found")
    assert_problem(clinic.refused(void(theirs["id"]), {"reason": "mine"}), 404, "not_found")
    other = f"/v1/athletes/{theirs['athlete_id']}/events"
    assert_problem(clinic.refused(other, {"kind": "ref_changed", "ref": "KB-9"}), 404, "not_found")
    confirmations = f"/v1/batteries/{theirs['battery_id']}/confirmations"
    assert_problem(clinic.refused(confirmations, {"confirms": ["sides"]}), 404, "not_found")


def test_a_submitter_tells_no_events(clinic, passed):
    refused = clinic.refused(events(passed), {"kind": "setback", "on": "2026-11-20"}, SUBMITTER)

    assert_problem(refused, 403, "forbidden")


# Refs


def test_an_athlete_gets_another_ref_and_the_former_one_is_free(clinic, passed):
    path = f"/v1/athletes/{passed['athlete_id']}/events"

    added = clinic.post(path, {"kind": "ref_changed", "ref": "KB-2"})

    assert (added["episode_id"], added["withdrawn"]) == (None, [])
    entry = clinic.chain(passed["athlete_id"])[-1]
    assert (entry.content, entry.people) == ({"kind": "ref_changed", "of": "athlete"}, {"ref": "KB-2"})
    known = small("B", "2026-11-20T17:00:00+01:00", athlete={"ref": "KB-2"}, episode=EPISODE | {"new": False})
    assert clinic.post_battery(known)["athlete_id"] == passed["athlete_id"]
    other = small("C", athlete={"ref": "KB-1", "new": True}, episode=EPISODE | {"ref": "KB-1-9"})
    assert clinic.post_battery(other)["created"] == ["athlete", "episode"]


def test_an_episode_gets_another_ref(clinic, passed):
    clinic.post(events(passed), {"kind": "ref_changed", "ref": "season-2"})

    assert clinic.row("episodes", id=passed["episode_id"])["ref"] == "season-2"
    assert clinic.state_of(passed["id"]) == "standing"


def test_a_ref_is_one_athletes_and_one_episodes_own(clinic, passed):
    other = small("B", athlete={"ref": "KB-2", "new": True}, episode=EPISODE | {"ref": "KB-2-1"})
    theirs = clinic.post_battery(other)

    taken = clinic.refused(f"/v1/athletes/{passed['athlete_id']}/events", {"kind": "ref_changed", "ref": "KB-2"})
    assert places(assert_problem(taken, 409, "ref_taken")) == [("#/ref", "ref_taken")]
    assert theirs["athlete_id"] in taken.headers["Link"]
    assert_problem(clinic.refused(events(passed), {"kind": "ref_changed", "ref": "KB-2-1"}), 409, "ref_taken")


def test_a_former_ref_that_somebody_else_has_does_not_come_back(clinic, passed):
    path = f"/v1/athletes/{passed['athlete_id']}/events"
    renamed = clinic.post(path, {"kind": "ref_changed", "ref": "KB-2"})
    clinic.post_battery(small("B", athlete={"ref": "KB-1", "new": True}, episode=EPISODE | {"ref": "KB-1-9"}))

    assert_problem(clinic.refused(void(renamed["id"]), {"reason": "mistyped"}), 409, "ref_taken")


# Findings


def test_a_finding_holds_until_a_professional_resolves_it(clinic):
    held = clinic.post_battery(with_finding())
    assert held["hold_because"] == ["finding_open"]

    added = clinic.post(resolution(held), {"as": "ruled_out", "rationale": "no fracture on the radiograph"})

    entry = clinic.chain(held["athlete_id"])[-1]
    assert added["kind"] == "finding_resolution"
    assert entry.content == {"finding": FINDING, "as": "ruled_out"}
    assert entry.people["rationale"] == "no fracture on the radiograph"
    assert entry.people["signed_by"] == {"name": "Invented Clinician", "profession": "physiotherapist"}
    assert clinic.row("findings", finding=FINDING)["resolved_by"] == added["id"]
    assert clinic.decide(held["episode_id"])["outcome"] == "pass"


def test_a_finding_raised_since_withdraws_a_pass_until_it_is_closed(clinic, passed):
    told = with_finding("B", at="2026-11-20T17:00:00+01:00", target_stage=None)
    assert clinic.post_battery(told)["withdrawn"] == [passed["id"]]
    assert clinic.state_of(passed["id"]) == "withdrawn"

    clinic.post(resolution(passed), {"as": "released", "rationale": "treated, may load"})

    assert clinic.state_of(passed["id"]) == "standing"


def test_a_confirmed_finding_stays_open_and_sets_back(clinic, passed):
    clinic.post_battery(with_finding("B", at="2026-11-20T17:00:00+01:00", target_stage=None))

    clinic.post(resolution(passed), {"as": "confirmed", "rationale": "fracture"})
    assert clinic.row("findings", finding=FINDING)["resolved_by"] is None
    clinic.post(resolution(passed), {"as": "released", "rationale": "healed"})

    assert clinic.state_of(passed["id"]) == "withdrawn"


def test_a_closed_finding_is_not_closed_again_but_may_be_confirmed(clinic):
    held = clinic.post_battery(with_finding())
    clinic.post(resolution(held), {"as": "ruled_out", "rationale": "nothing seen"})

    again = clinic.refused(resolution(held), {"as": "released", "rationale": "nothing seen"})
    assert_problem(again, 409, "conflicts")
    clinic.post(resolution(held), {"as": "confirmed", "rationale": "seen after all"})

    assert clinic.row("findings", finding=FINDING)["resolved_by"] is None


@pytest.mark.parametrize("finding", ["navicular_tender", "no_such_question", "%00", "caf%C3%A9", "a%2Fb"])
def test_a_finding_that_nobody_raised_is_not_there(clinic, finding):
    held = clinic.post_battery(with_finding())

    body = {"as": "ruled_out", "rationale": "nothing seen"}

    assert_problem(clinic.refused(resolution(held, finding), body), 404, "not_found")


@pytest.mark.parametrize(
    ("body", "where", "code"),
    [
        ({"as": "ruled_out"}, "#/rationale", "missing"),
        ({"as": "healed", "rationale": "well"}, "#/as", "unknown_name"),
        ({"as": "ruled_out", "rationale": "well", "on": "2026-11-21"}, "#/on", "in_the_future"),
        ({"as": "ruled_out", "rationale": "well", "on": "2026-11-19"}, "#/on", "conflicts"),
        ({"as": "ruled_out", "rationale": "well", "on": "2026-11-20", "at": NOW}, "#/at", "conflicts"),
    ],
)
def test_a_faulty_resolution_is_refused(clinic, body, where, code):
    held = clinic.post_battery(with_finding())

    refused = clinic.refused(resolution(held), body)

    assert (where, code) in places(assert_problem(refused, 422, "invalid_body"))


PERSONS_ONLY = {
    "resolution": lambda of: (resolution(of), {"as": "ruled_out", "rationale": "nothing seen"}),
    "exception": lambda of: (
        exceptions(of),
        {"stage": "rebuild", "criterion": "walks-without-limp", "until": "2026-11-25", "reason": "old limp"},
    ),
    "sign-off": lambda of: (
        f"/v1/decisions/{of['id']}/sign-offs",
        {"decision_digest": of["digest"], "determination": "agree"},
    ),
    "position": lambda of: (
        f"/v1/episodes/{of['episode_id']}/sign-offs",
        {"position": {"stage": "protected_loading", "participation": "none"}, "rationale": "rest"},
    ),
}


@pytest.mark.parametrize("actor", [{"kind": SYSTEM}, {"kind": PERSON, "profession": None}], ids=["system", "person"])
@pytest.mark.parametrize("what", PERSONS_ONLY)
def test_a_named_professional_does_this(clinic, what, actor):
    held = clinic.post_battery(with_finding())
    world = clinic.world
    key = new_key(world.context, world.organisation, display_name="Invented", roles=[CLINICIAN], **actor)
    path, body = PERSONS_ONLY[what](held)
    before = clinic.rows()["record_entries"]

    assert_problem(send(world.client_with(key), path, body), 403, "forbidden")

    assert clinic.rows()["record_entries"] == before
    clinic.post(path, body)


# Exceptions


def test_an_exception_takes_one_criterion_out_of_one_gate(clinic):
    limping = builders.SESSION_CHECK | {"limp": True}
    held = clinic.post_battery(small("A", session_check=limping))
    body = {"stage": "rebuild", "criterion": "walks-without-limp", "until": "2026-11-22", "reason": "an old limp"}

    added = clinic.post(exceptions(held), body)

    entry = clinic.chain(held["athlete_id"])[-1]
    assert entry.content == {
        "stage": "rebuild",
        "criterion": "walks-without-limp",
        "until": "2026-11-22",
        "criteria": held["criteria_set"]["digest"],
    }
    assert added["caution"] == held["caution"]
    assert "an old limp" not in (entry.document or "")
    waived = clinic.decide(held["episode_id"])
    assert (waived["outcome"], waived["standing"]["until"]) == ("pass", "2026-11-22")
    assert {one["criterion"]: one["excepted"] for one in waived["reasons"]}["walks-without-limp"]

    assert clinic.post(void(added["id"]), {"reason": "not for him"})["withdrawn"] == [waived["id"]]
    assert clinic.decide(held["episode_id"])["outcome"] == "hold"


@pytest.mark.parametrize(
    ("changes", "where", "code"),
    [
        ({"stage": "match"}, "#/stage", "unknown_name"),
        ({"criterion": "lunge-symmetry"}, "#/criterion", "unknown_name"),
        ({"criterion": "no-such-criterion"}, "#/criterion", "unknown_name"),
        ({"until": "2026-11-19"}, "#/until", "out_of_range"),
        ({"until": "2027-11-22"}, "#/until", "out_of_range"),
        ({"until": "tomorrow"}, "#/until", "wrong_type"),
        ({"reason": ""}, "#/reason", "bad_text"),
    ],
)
def test_a_faulty_exception_is_refused(clinic, passed, changes, where, code):
    body = {"stage": "rebuild", "criterion": "walks-without-limp", "until": "2026-11-25", "reason": "old limp"}

    refused = clinic.refused(exceptions(passed), body | changes)

    assert places(assert_problem(refused, 422, "invalid_body")) == [(where, code)]


@pytest.mark.parametrize("until", ["2026-11-20", "2027-11-21"])
def test_an_exception_lasts_from_today_to_a_year(clinic, passed, until):
    body = {"stage": "rebuild", "criterion": "walks-without-limp", "until": until, "reason": "old limp"}

    assert clinic.post(exceptions(passed), body)["kind"] == "exception"


# Confirmations


def test_sides_that_look_swapped_hold_until_they_are_confirmed(clinic):
    swapped = [
        builders.measured("heel_rise_repetitions", "left", "25"),
        builders.measured("heel_rise_repetitions", "right", "20"),
        builders.measured("weight_bearing_lunge_distance", "left", "12.5", "12.4", "12.6"),
        builders.measured("weight_bearing_lunge_distance", "right", "9.5", "9.4", "9.6"),
        builders.measured("pain_worst_24h", None, 1),
    ]
    held = clinic.post_battery(whole("A", measurements=swapped, confirmed=None, target_stage="running"))
    assert "sides_unconfirmed" in {one["code"] for one in held["holds"]}

    added = clinic.post(f"/v1/batteries/{held['battery_id']}/confirmations", {"confirms": ["sides"]})

    assert clinic.chain(held["athlete_id"])[-1].content == {"battery": held["battery_id"], "confirms": ["sides"]}
    decided = clinic.decide(held["episode_id"], "running")
    assert "sides_unconfirmed" not in {one["code"] for one in decided["holds"]}
    assert decided["id"] in clinic.post(void(added["id"]), {"reason": "looked at another battery"})["withdrawn"]


def test_only_an_assessment_that_counts_is_confirmed(clinic):
    body = builders.baseline(
        "B", "2026-08-01T10:00:00+02:00", [builders.measured("heel_rise_repetitions", "left", "25")]
    )
    baseline = clinic.post_battery(body["battery"] | {"athlete": {"ref": "KB-1", "new": True}})
    battery = clinic.post_battery(small("A", target_stage=None))
    newer = clinic.post_battery(small("A", supersedes={"ref": "A"}, target_stage=None))
    confirms = {"confirms": ["sides"]}

    assert_problem(clinic.refused(f"/v1/batteries/{baseline['battery_id']}/confirmations", confirms), 409, "conflicts")
    refused = clinic.refused(f"/v1/batteries/{battery['battery_id']}/confirmations", confirms)
    assert_problem(refused, 409, "conflicts")
    assert newer["battery_id"] in refused.headers["Link"]


@pytest.mark.parametrize("confirms", [[], ["sides", "sides"], ["everything"]])
def test_what_is_confirmed_is_on_the_list(clinic, passed, confirms):
    refused = clinic.refused(f"/v1/batteries/{passed['battery_id']}/confirmations", {"confirms": confirms})

    assert_problem(refused, 422, "invalid_body")


# Voids


def test_a_void_withdraws_what_rests_on_the_entry(clinic, passed):
    added = clinic.post(void(passed["battery_id"]), {"reason": "another athlete's"})

    entry = clinic.chain(passed["athlete_id"])[-1]
    assert (entry.content, entry.people) == ({"entry": passed["battery_id"]}, {"reason": "another athlete's"})
    assert (added["withdrawn"], added["episode_id"]) == ([passed["id"]], passed["episode_id"])
    assert clinic.state_of(passed["id"]) == "withdrawn"
    assert clinic.row("batteries", ref="A")["state"] == "void"


def test_a_void_decision_brings_back_none_before_it_and_the_next_one_takes_its_place(clinic, passed):
    newer = clinic.decide(passed["episode_id"])
    assert clinic.state_of(passed["id"]) == "superseded"

    added = clinic.post(void(newer["id"]), {"reason": "asked by mistake"})

    assert added["withdrawn"] == [newer["id"]]
    assert added["caution"]["text"]
    assert clinic.decision(newer["id"])["standing"] == {"state": "void", "until": None, "awaiting_sign_off": False}
    assert clinic.state_of(passed["id"]) == "superseded"
    assert clinic.state_of(clinic.decide(passed["episode_id"])["id"]) == "standing"


def test_a_void_setback_sets_nothing_back(clinic, passed):
    told = clinic.post(events(passed), {"kind": "setback", "on": "2026-11-20"})
    assert clinic.state_of(passed["id"]) == "withdrawn"

    clinic.post(void(told["id"]), {"reason": "of another athlete"})

    assert clinic.state_of(passed["id"]) == "standing"


def test_a_void_correction_brings_nothing_back(clinic, passed):
    newer = clinic.post_battery(small("A", supersedes={"ref": "A"}, target_stage=None))

    clinic.post(void(newer["battery_id"]), {"reason": "mistaken"})

    assert {row["revision"]: row["state"] for row in clinic.found("batteries", ref="A")} == {1: "superseded", 2: "void"}
    refused = clinic.refused(f"/v1/episodes/{passed['episode_id']}/decisions", {"target_stage": "rebuild"})
    assert_problem(refused, 422, "invalid_body")
    assert clinic.post_battery(small("B"))["outcome"] == "pass"


def test_an_entry_is_taken_back_once_and_for_good(clinic, passed):
    reason = {"reason": "mistaken"}
    taken = clinic.post(void(passed["id"]), reason)

    assert_problem(clinic.refused(void(passed["id"]), reason), 409, "conflicts")
    assert_problem(clinic.refused(void(taken["id"]), reason), 409, "conflicts")


def test_what_was_superseded_is_not_taken_back(clinic, passed):
    newer = clinic.post_battery(small("A", supersedes={"ref": "A"}, target_stage=None))

    refused = clinic.refused(void(passed["battery_id"]), {"reason": "mistaken"})

    assert_problem(refused, 409, "conflicts")
    assert newer["battery_id"] in refused.headers["Link"]


def test_a_void_says_why(clinic, passed):
    assert places(assert_problem(clinic.refused(void(passed["id"]), {}), 422, "invalid_body")) == [
        ("#/reason", "missing")
    ]


def test_a_void_is_answered_again(clinic, passed):
    path, reason = void(passed["battery_id"]), {"reason": "mistaken"}

    first = created(send(clinic.clinician, path, reason, key="one"))

    assert created(send(clinic.clinician, path, reason, key="one")) == first
