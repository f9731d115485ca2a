"""A battery, or a file of entries, judged over HTTP by any version that the organisation knows; nothing is stored."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from schemas.evaluation import EvaluatedSchema
from schemas.faults import load
from service.domain.canonical import canonical, digest
from service.store import criteria as store
from service.store.tables import METADATA
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, ROLES, SUBMITTER
from tests.builders import CRITERIA_SETS, battery, criteria, file, follow_up
from tests.recorded import Clinic, clinic_of, plain
from tests.world import World, new_world

EVALUATIONS, SET = "/v1/evaluations", "lateral-ankle-sprain"
SOURCE = CRITERIA_SETS / "lateral-ankle-sprain" / "1.yaml"


@pytest.fixture(scope="module")
def clinic(database_url: str) -> Clinic:
    clinic = clinic_of(new_world(database_url))
    clinic.world.at("2026-11-24T12:00:00+01:00")
    return clinic


def asked(clinic: Clinic, body: Any, address: str = "", role: str = SUBMITTER) -> Any:
    return clinic.world.client(role).post(f"{EVALUATIONS}{address}", plain(body))


def judged(clinic: Clinic, body: Any, address: str = "", role: str = SUBMITTER) -> Any:
    answer = asked(clinic, body, address, role)
    assert answer.status_code == 200, answer.text
    assert load(EvaluatedSchema(), answer.json)[1] == []
    assert answer.json["caution"]["text"]
    return answer.json


def entries(*more: Any, **changes: Any) -> dict[str, Any]:
    return {**file(*more), "target_stage": "team_training", **changes}


@pytest.mark.parametrize("role", ROLES)
def test_a_battery_is_judged_as_if_it_were_posted(clinic: Clinic, role: str) -> None:
    answer = judged(clinic, clinic.body(battery("E")), role=role)

    assert (answer["outcome"], answer["criteria_set"]["version"]) == ("pass", 1)
    assert "id" not in answer


def test_a_file_of_entries_is_judged(clinic: Clinic) -> None:
    answer = judged(clinic, entries(battery("E"), follow_up("E"), target_stage="competition"))

    assert (answer["outcome"], answer["target_stage"]) == ("pass", "competition")


def test_nothing_is_stored_and_nothing_stored_is_mixed_in(clinic: Clinic) -> None:
    def rows() -> dict[str, int]:
        names = ("record_entries", "athletes", "audit_log", "idempotency_keys")
        return clinic.world.context.database.read(
            lambda tx: {
                name: tx.execute(sa.select(sa.func.count()).select_from(METADATA.tables[name])).scalar_one()
                for name in names
            }
        )

    body = clinic.body(battery("E"), athlete="KB-7")
    alone = judged(clinic, body)
    setback = battery(
        "S", "2026-11-20T17:00:00+01:00", since_last={"events": [{"kind": "setback", "on": "2026-11-20"}]}
    )
    clinic.post(setback, athlete="KB-7")
    clinic.world.at("2026-11-24T12:00:00+01:00")
    before = rows()

    assert judged(clinic, body) == alone
    assert rows() == before


def test_the_working_is_told_on_demand(clinic: Clinic) -> None:
    body = clinic.body(battery("E"))

    brief, full = judged(clinic, body), judged(clinic, body, "?detail=full")

    assert all("working" not in one for one in brief["reasons"])
    assert all(one["working"] for one in full["reasons"])
    assert asked(clinic, body, "?detail=all").status_code == 400


def test_a_follow_up_told_too_late_has_no_outcome(clinic: Clinic) -> None:
    later = battery("F", "2026-11-21T07:00:00+01:00")

    answer = judged(clinic, entries(battery("E"), later, follow_up("E")))

    assert answer["outcome"] is None
    assert answer["summary"].startswith("Not judged")


def test_dates_are_those_of_the_organisation(clinic: Clinic) -> None:
    """At 23:30 UTC it is the next day in Berlin."""
    answer = judged(clinic, clinic.body(battery("E", "2026-11-20T23:30:00+00:00"), stage="rebuild"))
    dated = [read["on"] for one in answer["reasons"] for read in one["inputs"] if "answer" in read]

    assert set(dated) <= {"2026-11-21"}
    assert dated


def test_any_version_may_be_named(clinic: Clinic) -> None:
    named = {"criteria_set": "lateral-ankle-sprain", "criteria_version": 1}
    other = new_world(clinic.world.url).at("2026-11-24T12:00:00+01:00")
    shipped = other.client(ADMINISTRATOR).post(EVALUATIONS, plain(clinic.body(battery("E"), **named)))

    assert shipped.status_code == 200, "a version that ships needs not be adopted"
    assert shipped.json["criteria_set"]["version"] == 1
    assert judged(clinic, entries(**named))["criteria_set"]["id"] == named["criteria_set"]


def test_without_a_set_in_force_one_has_to_be_named(clinic: Clinic) -> None:
    other = new_world(clinic.world.url).at("2026-11-24T12:00:00+01:00")

    answer = other.client(CLINICIAN).post(EVALUATIONS, plain(clinic.body(battery("E"))))

    assert (answer.status_code, answer.json["code"]) == (422, "no_criteria_in_force")


def to_come(world: World, *, number: int = 1, set_id: str = SET) -> None:
    """Adopt a version of the shipped set that is in force only later, under a name of its own."""
    document = json.loads(canonical(criteria().document)) | {"id": set_id, "version": number}
    text = canonical(document)
    one = store.NewVersion(set_id, number, digest(text), text, None, None, date(2027, 1, 1))
    by, at = world.administrator.actor, world.clock()
    world.context.database.write(lambda tx: store.adopt(tx, world.organisation, one, by=by, at=at))


@pytest.fixture
def early(database_url: str) -> Clinic:
    """A clinic that has adopted nothing that is in force yet."""
    return Clinic(new_world(database_url).at("2026-11-24T12:00:00+01:00"))


@pytest.mark.parametrize("named", [{"criteria_set": SET, "criteria_version": 1}, {"criteria_version": 1}])
def test_a_version_to_come_judges_where_it_is_named(early: Clinic, named: dict[str, Any]) -> None:
    to_come(early.world)

    assert judged(early, early.body(battery("E"), **named))["criteria_set"]["version"] == 1
    for body in (early.body(battery("E")), early.body(battery("E"), criteria_version=2)):
        refused = asked(early, body)
        assert (refused.status_code, refused.json["code"]) == (422, "no_criteria_in_force")
        assert refused.json["facts"] == {"in_force_from": "2027-01-01"}


def test_the_next_version_judges_where_its_number_is_named(database_url: str) -> None:
    clinic = clinic_of(new_world(database_url))
    to_come(clinic.world, number=2)
    body = clinic.body(battery("E"))

    assert judged(clinic, body)["criteria_set"]["version"] == 1
    for named in ({"criteria_version": 2}, {"criteria_set": SET, "criteria_version": 2}):
        assert judged(clinic, body | named)["criteria_set"]["version"] == 2


def test_a_number_that_several_sets_to_come_have_asks_for_the_set(early: Clinic) -> None:
    to_come(early.world)
    to_come(early.world, set_id="club-ankle")

    refused = asked(early, early.body(battery("E"), criteria_version=1))

    assert (refused.status_code, refused.json["code"]) == (422, "ambiguous_criteria_set")
    assert refused.json["facts"]["sets"] == ["club-ankle", SET]


def test_a_draft_judges_too_without_its_examples(clinic: Clinic) -> None:
    source = Path(SOURCE).read_text(encoding="utf-8")
    source = source.replace("id: lateral-ankle-sprain\n", "id: own-sprain\n").replace("version: 1\n", "version: 3\n", 1)
    administrator = clinic.world.client(ADMINISTRATOR)
    made = administrator.post("/v1/criteria-drafts", {"source": source, "examples": "[]\n"})
    assert made.status_code == 201, made.text
    named = {"criteria_set": "own-sprain", "criteria_version": 3}

    answer = judged(clinic, clinic.body(battery("E"), **named), role=ADMINISTRATOR)

    assert answer["criteria_set"]["id"] == "own-sprain"
    assert answer["outcome"] == "pass"
    assert asked(clinic, clinic.body(battery("E"), criteria_set="own-sprain", criteria_version=4)).json["code"] == (
        "unknown_criteria_set"
    )


def test_a_faulty_draft_is_refused_with_its_faults(clinic: Clinic) -> None:
    source = "id: broken-sprain\nversion: 1\n"
    made = clinic.world.client(ADMINISTRATOR).post("/v1/criteria-drafts", {"source": source, "examples": "[]\n"})
    assert made.status_code == 201, made.text

    answer = asked(clinic, clinic.body(battery("E"), criteria_set="broken-sprain", criteria_version=1))

    assert (answer.status_code, answer.json["code"]) == (422, "criteria_faults")
    assert "/tmp" not in answer.text  # noqa: S108 - no folder of the machine is told


@pytest.mark.parametrize(
    ("sent", "content_type", "status", "code"),
    [
        (b"{", "application/json", 400, "broken_json"),
        (b'{"kind": "assessment", "kind": "assessment"}', "application/json", 400, "broken_json"),
        (b"{}", "text/plain", 415, "unsupported_media_type"),
        (b"{}", "application/json", 422, "invalid_battery"),
        (b'{"entries": []}', "application/json", 422, "invalid_evaluation"),
        (b"[]", "application/json", 422, "invalid_battery"),
        (b"[" * 50 + b"]" * 50, "application/json", 400, "too_deep"),
    ],
)
def test_a_body_that_can_not_be_judged_is_refused(
    clinic: Clinic, sent: bytes, content_type: str, status: int, code: str
) -> None:
    client = clinic.world.client(SUBMITTER)
    answer = client.open("POST", EVALUATIONS, data=sent, headers={"Content-Type": content_type})

    assert (answer.status_code, answer.json["code"]) == (status, code)


def test_faults_are_told_where_the_sender_wrote_them(clinic: Clinic) -> None:
    body = json.loads(json.dumps(clinic.body(battery("E"))))
    body["measurements"][0]["trials"] = [{"value": 99}]
    body["performed_at"] = "2027-01-01T10:00:00+01:00"

    answer = asked(clinic, body)

    assert answer.status_code == 422
    assert {(one["pointer"], one["code"]) for one in answer.json["errors"]} >= {
        ("#/measurements/0/trials/0/value", "out_of_range"),
        ("#/performed_at", "in_the_future"),
    }


def test_an_unknown_stage_is_refused_with_those_there_are(clinic: Clinic) -> None:
    body = clinic.body(battery("E"), stage="no_such_stage")
    entry = {"battery": {key: one for key, one in body.items() if key not in ("athlete", "episode")}}
    file = {"athlete": body["athlete"], "episode": body["episode"], "entries": [entry]}

    for sent, place in ((body, "#/target_stage"), (file, "#/entries/0/battery/target_stage")):
        answer = asked(clinic, sent)
        assert (answer.status_code, answer.json["code"]) == (422, "unknown_stage")
        assert [(one["pointer"], one["code"]) for one in answer.json["errors"]] == [(place, "unknown_name")]
        assert "team_training" in answer.json["facts"]["stages"]
