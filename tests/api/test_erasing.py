"""Erasure: what goes, what stays, and that the chain still holds."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from schemas.appending import AddedSchema
from schemas.faults import load
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, PERSON, SUBMITTER, SYSTEM
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import EPISODE, Clinic, created, new_clinic, send, small
from tests.world import new_key

REASON = "asked by the athlete"
NAMES = ("KB-1", "KB-1-1", "staff-12", "an old limp", "nothing seen", "mistaken", "Invented Clinician")


@pytest.fixture
def clinic(database_url: str) -> Iterator[Clinic]:
    """A clinic whose record, whatever is told in a test, is sound at its end."""
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def told(clinic: Clinic) -> dict[str, Any]:
    """The first decision of an athlete of whom there is an entry of every kind."""
    answers = builders.referral_answers() | {"navicular_tender": True}
    limping = builders.SESSION_CHECK | {"limp": True}
    held = clinic.post_battery(small("A", referral=answers, session_check=limping, tester="staff-12"), key="post")
    of = f"/v1/episodes/{held['episode_id']}"
    clinic.post(f"{of}/findings/navicular_tender/resolution", {"as": "ruled_out", "rationale": "nothing seen"})
    waived = {"stage": "rebuild", "criterion": "walks-without-limp", "until": "2026-11-25", "reason": "an old limp"}
    clinic.post(f"{of}/exceptions", waived)
    clinic.post(f"/v1/batteries/{held['battery_id']}/confirmations", {"confirms": ["sides"]})
    setback = clinic.post(f"{of}/events", {"kind": "setback", "on": "2026-11-20"})
    clinic.post(f"/v1/entries/{setback['id']}/void", {"reason": "mistaken"})
    decided = clinic.decide(held["episode_id"])
    signed = {"decision_digest": decided["digest"], "determination": "agree", "conditions": "KB-1 rests"}
    clinic.post(f"/v1/decisions/{decided['id']}/sign-offs", signed)
    return held


def erasure(of: dict[str, Any]) -> str:
    return f"/v1/athletes/{of['athlete_id']}/erasure"


def erase(clinic: Clinic, of: dict[str, Any], scope: str, **more: Any) -> dict[str, Any]:
    return clinic.post(erasure(of), {"scope": scope, "reason": REASON}, ADMINISTRATOR, **more)


def kept(clinic: Clinic, of: dict[str, Any]) -> str:
    """All that is stored of an athlete, as one text."""
    tables = ("record_entries", "athletes", "episodes", "batteries", "decisions", "findings", "tasks")
    key = {"athletes": "id"}
    rows = {name: clinic.found(name, **{key.get(name, "athlete_id"): of["athlete_id"]}) for name in tables}
    return json.dumps(rows, default=str)


def in_files(url: str) -> bytes:
    """All that stands in the files of a SQLite database: the record, its log and its index."""
    file = Path(url.removeprefix("sqlite:///"))
    return b"".join(one.read_bytes() for one in file.parent.glob(f"{file.name}*"))


def test_a_default_erasure_takes_away_names_and_keeps_the_figures(clinic, told):
    before = kept(clinic, told)
    assert all(name in before for name in NAMES)

    added = erase(clinic, told, "default")

    assert load(AddedSchema(), added)[1] == []
    assert (added["kind"], added["withdrawn"]) == ("erasure", [])
    after = kept(clinic, told)
    assert [name for name in NAMES if name in after] == []
    chain = clinic.assert_intact(told["athlete_id"])
    assert all(one.private is None and one.document is not None for one in chain[:-1])
    assert (chain[-1].content, chain[-1].people) == ({"scope": "default"}, {"reason": REASON})
    assert clinic.decision(told["id"])["outcome"] == "hold"
    row = clinic.row("athletes", id=told["athlete_id"])
    assert (row["ref"], row["birth_year"], row["erased_at"] is not None) == (None, 2000, True)


def test_a_full_erasure_leaves_a_chain_of_digests(clinic, told):
    added = erase(clinic, told, "full")

    chain = clinic.assert_intact(told["athlete_id"])
    assert {(one.document, one.private, one.salt) for one in chain[:-1]} == {(None, None, None)}
    assert (chain[-1].id, chain[-1].content) == (added["id"], {"scope": "full"})
    assert [clinic.found(table) for table in ("batteries", "decisions", "findings", "tasks", "unmet_criteria")] == [
        [],
        [],
        [],
        [],
        [],
    ]
    row = clinic.row("athletes", id=told["athlete_id"])
    assert (row["ref"], row["birth_year"], row["entries"]) == (None, None, len(chain))
    [episode] = clinic.found("episodes")
    assert {episode[name] for name in ("ref", "condition", "onset_on", "stage", "current_decision_id")} == {None}


def test_a_full_erasure_leaves_no_byte_of_it_in_the_files_of_sqlite(databases):
    sentinel = "Sentinel-4711"
    with databases.copy("sqlite") as made:
        clinic = new_clinic(made.url)
        athlete, episode = {"ref": sentinel, "new": True}, EPISODE | {"ref": f"{sentinel}-1"}
        posted = clinic.post_battery(small(sentinel, athlete=athlete, episode=episode, tester=sentinel))
        setback = clinic.post(f"/v1/episodes/{posted['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})
        clinic.post(f"/v1/entries/{setback['id']}/void", {"reason": sentinel * 100})
        assert sentinel.encode() in in_files(made.url)

        erase(clinic, posted, "full")

        assert sentinel.encode() not in in_files(made.url)
        clinic.assert_sound()
        clinic.world.context.database.close()


def test_a_full_erasure_may_follow_a_default_one(clinic, told):
    erase(clinic, told, "default")
    erase(clinic, told, "full")

    chain = clinic.assert_intact(told["athlete_id"])
    assert [one.kind for one in chain[-2:]] == ["erasure", "erasure"]
    assert clinic.found("decisions") == []


@pytest.mark.parametrize(("first", "second"), [("default", "default"), ("full", "full"), ("full", "default")])
def test_nothing_is_erased_twice(clinic, told, first, second):
    erase(clinic, told, first)

    refused = clinic.refused(erasure(told), {"scope": second, "reason": REASON}, ADMINISTRATOR)

    assert_problem(refused, 409, "erased")


@pytest.mark.parametrize("scope", ["default", "full"])
def test_nothing_can_be_added_to_what_was_erased(clinic, told, scope):
    erase(clinic, told, scope)
    of, reason = f"/v1/episodes/{told['episode_id']}", {"reason": "mistaken"}
    signed = {"decision_digest": told["digest"], "determination": "agree"}

    for path, body in (
        (f"{of}/events", {"kind": "setback", "on": "2026-11-20"}),
        (f"{of}/decisions", {"target_stage": "rebuild"}),
        (f"{of}/findings/navicular_tender/resolution", {"as": "confirmed", "rationale": "seen"}),
        (f"/v1/athletes/{told['athlete_id']}/events", {"kind": "ref_changed", "ref": "KB-1"}),
        (f"/v1/batteries/{told['battery_id']}/confirmations", {"confirms": ["sides"]}),
        (f"/v1/entries/{told['battery_id']}/void", reason),
        (f"/v1/decisions/{told['id']}/sign-offs", signed),
    ):
        assert_problem(clinic.refused(path, body), 409, "erased")


@pytest.mark.parametrize("scope", ["default", "full"])
def test_refs_of_the_erased_are_free_for_others(clinic, told, scope):
    erase(clinic, told, scope)

    again = clinic.post_battery(small("A"))

    assert again["created"] == ["athlete", "episode"]
    assert again["athlete_id"] != told["athlete_id"]


@pytest.mark.parametrize("scope", ["default", "full"])
def test_nobody_waits_for_the_erased(clinic, told, scope):
    other = small("B", athlete={"ref": "KB-2", "new": True}, episode=EPISODE | {"ref": "KB-2-1"})
    clinic.post_battery(other | {"session_check": builders.SESSION_CHECK | {"limp": True}})
    erase(clinic, told, scope)

    assert {row["state"] for row in clinic.found("tasks", athlete_id=told["athlete_id"])} <= {"closed"}
    assert clinic.row("tasks", kind="retest", state="open")


@pytest.mark.parametrize("scope", ["default", "full"])
def test_what_a_request_said_can_be_guessed_by_nobody(clinic, told, scope):
    """What a body said could be guessed from its digest, which has no salt: it goes, and the key stays."""
    assert clinic.rows()["idempotency_keys"] > 1

    erase(clinic, told, scope)

    [own] = clinic.found("idempotency_keys", object_id=clinic.chain(told["athlete_id"])[-1].id)
    gone = {one.id for one in clinic.chain(told["athlete_id"])[:-1]}
    left = [row["body_digest"] for row in clinic.found("idempotency_keys") if row["object_id"] in gone]
    assert set(left) == {"erased"}
    assert own["route"] == "POST /v1/athletes/{id}/erasure"


@pytest.mark.parametrize("scope", ["default", "full"])
def test_an_erasure_is_answered_again(clinic, told, scope):
    body = {"scope": scope, "reason": REASON}

    first = created(send(clinic.administrator, erasure(told), body, key="one"))
    again = send(clinic.administrator, erasure(told), body, key="one")

    assert (again.status_code, again.json) == (201, first)


def test_a_person_who_administers_erases(clinic, told):
    body = {"scope": "default", "reason": REASON}
    world = clinic.world
    system = {"kind": SYSTEM, "display_name": "Invented system", "roles": [ADMINISTRATOR]}
    key = new_key(world.context, world.organisation, **system)

    for role in (SUBMITTER, CLINICIAN):
        assert_problem(clinic.refused(erasure(told), body, role), 403, "forbidden")
    assert_problem(send(world.client_with(key), erasure(told), body), 403, "forbidden")
    person = {"kind": PERSON, "display_name": "Invented Other", "roles": [ADMINISTRATOR]}
    other = new_key(world.context, world.organisation, **person)
    assert created(send(world.client_with(other), erasure(told), body))["kind"] == "erasure"


@pytest.mark.parametrize(
    ("changes", "where", "code"),
    [
        ({"scope": "some"}, "#/scope", "unknown_name"),
        ({"reason": "x" * 201}, "#/reason", "bad_text"),
        ({"ref": "KB-1"}, "#/ref", "unknown_field"),
    ],
)
def test_a_faulty_erasure_is_refused(clinic, told, changes, where, code):
    refused = clinic.refused(erasure(told), {"scope": "full", "reason": REASON} | changes, ADMINISTRATOR)

    problem = assert_problem(refused, 422, "invalid_body")
    assert [(one["pointer"], one["code"]) for one in problem["errors"]] == [(where, code)]


def test_an_athlete_of_another_organisation_is_not_there(clinic, database_url):
    theirs = new_clinic(database_url).post_battery(small())

    refused = clinic.refused(erasure(theirs), {"scope": "full", "reason": REASON}, ADMINISTRATOR)

    assert_problem(refused, 404, "not_found")


@pytest.mark.parametrize("scope", ["default", "full"])
def test_a_request_sent_again_makes_nobody_anew(clinic, scope):
    body = small("again", athlete={"ref": "KB-again", "new": True}, episode={**EPISODE, "ref": "KB-again-1"})
    posted = created(send(clinic.submitter, "/v1/batteries", body, key="kept"))
    erase(clinic, posted, scope)

    refused = send(clinic.submitter, "/v1/batteries", body, key="kept")

    assert_problem(refused, 409, "erased")
    assert clinic.found("athletes", ref="KB-again") == []
