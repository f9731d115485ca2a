"""The routes of criteria sets, drafts and tests, on the set that ships."""

from datetime import date
from typing import Any
from uuid import uuid4

import pytest

from schemas.battery import BatterySchema
from schemas.faults import load
from schemas.governance import (
    CheckSchema,
    CriteriaSetsSchema,
    DraftSchema,
    MeasurableSchema,
    TemplateSchema,
    VersionSchema,
    WholeVersionSchema,
)
from service.domain.battery import catalogue_faults
from service.use_cases.in_force import choose
from tests.api.problem import assert_problem
from tests.builders import CRITERIA_SETS
from tests.clinic import new_clinic, small
from tests.databases import Databases
from tests.world import ADMINISTRATOR, CLINICIAN, SUBMITTER, Client, World, new_world

SHIPPED, CLUB = "lateral-ankle-sprain", "club-ankle"
SETS, DRAFTS = "/v1/criteria-sets", "/v1/criteria-drafts"
DRAFT = f"{DRAFTS}/{CLUB}/1"
ORIGIN = {"from": {"id": SHIPPED, "version": 1}, "id": CLUB}


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


@pytest.fixture
def admin(world: World) -> Client:
    return world.client(ADMINISTRATOR)


def adopted(admin: Client, begins: str = "2026-01-01", **more: Any) -> Any:
    return admin.post(SETS, {"id": SHIPPED, "version": 1, "in_force_from": begins}, **more)


def fits(schema: Any, answer: Any, status: int = 200) -> Any:
    """The answer, which has its status and the shape that is documented."""
    assert answer.status_code == status, answer.text
    _, faults = load(schema(), answer.json)
    assert not faults
    return answer.json


def judging(world: World, on: str) -> str:
    organisation = world.organisation
    day = date.fromisoformat(on)
    one = world.context.database.read(lambda tx: choose(tx, organisation, condition="lateral_ankle_sprain", on=day))
    return f"{one.id}/{one.version}"


LINE = "    test: confidence\n    metric: value\n    at_least: "


def raised(admin: Client) -> Any:
    """A draft of the shipped set in which one threshold is raised, as the answer to its change."""
    draft = fits(DraftSchema, admin.post(DRAFTS, ORIGIN), 201)
    assert "# Lateral ankle sprain, version 1" in draft["source"]
    assert f"{LINE}7\n" in draft["source"]
    text = {"source": draft["source"].replace(f"{LINE}7\n", f"{LINE}8\n"), "examples": draft["examples"]}
    changed = admin.put(DRAFT, text, headers={"If-Match": f'"{draft["etag"]}"'})
    assert fits(DraftSchema, changed)["revision"] == 2
    return changed


def mended(changed: Any, place: tuple[str, int]) -> dict[str, str]:
    """The text with the example mended whose line the check has named: the line above is its change."""
    file, row = place
    assert file == f"{CLUB}/1.examples.yaml"
    rows = changed.json["examples"].splitlines(keepends=True)
    assert "confidence, value: 7" in rows[row - 2]
    rows[row - 2] = rows[row - 2].replace("value: 7", "value: 8")
    return {"source": changed.json["source"], "examples": "".join(rows)}


def test_a_new_administrator_raises_a_threshold_and_publishes_from_a_day(databases: Databases) -> None:
    """Copied, changed, checked, the example that the check names mended, and published in place of what ships."""
    with databases.copy("sqlite") as made:  # it takes seconds, and the databases differ in nothing of it
        world = new_world(made.url)
        admin = world.client(ADMINISTRATOR)
        adopted(admin)
        changed = raised(admin)

        found = fits(CheckSchema, admin.post(f"{DRAFT}/check"))
        assert not found["sound"]
        (place,) = {(one["file"], one["line"]) for one in found["faults"]}
        assert "confidence-of-seven" in found["faults"][0]["detail"]
        begins = {"in_force_from": "2026-12-01", "replaces": SHIPPED}
        refused = admin.post(f"{DRAFT}/publish", begins)
        assert (refused.status_code, refused.json["code"]) == (422, "criteria_faults")
        assert {(one["file"], one["line"]) for one in refused.json["errors"]} == {place}

        put = admin.put(DRAFT, mended(changed, place), headers={"If-Match": changed.headers["ETag"]})
        assert put.status_code == 200
        assert fits(CheckSchema, admin.post(f"{DRAFT}/check"))["sound"]
        refused = admin.post(f"{DRAFT}/publish", {"in_force_from": "2026-12-01"})
        assert (refused.status_code, refused.json["code"]) == (409, "conflicts")
        assert [one["pointer"] for one in refused.json["errors"]] == ["#/replaces"]
        assert fits(VersionSchema, admin.post(f"{DRAFT}/publish", begins), 201)["state"] == "coming"

        days = ("2026-11-30", "2026-12-01", "2026-12-02")
        assert [judging(world, on) for on in days] == [f"{SHIPPED}/1", f"{CLUB}/1", f"{CLUB}/1"]
        assert admin.get(DRAFT).status_code == 404


def test_adopting_answers_201_then_200_then_409(admin: Client) -> None:
    first = adopted(admin)
    assert fits(VersionSchema, first, 201)["state"] == "in_force"
    assert first.headers["Location"] == f"{SETS}/{SHIPPED}/versions/1"
    again = adopted(admin)
    assert fits(VersionSchema, again) == first.json
    assert "Idempotency-Replayed" not in again.headers
    other = adopted(admin, "2026-01-02")
    assert (other.status_code, other.json["code"]) == (409, "already_released")


def test_a_retry_gets_the_first_answer(admin: Client) -> None:
    headers = {"Idempotency-Key": uuid4().hex}
    first, again = adopted(admin, headers=headers), adopted(admin, headers=headers)
    assert (again.status_code, again.json) == (201, first.json)
    assert again.headers["Idempotency-Replayed"] == "true"
    other = adopted(admin, "2026-01-02", headers=headers)
    assert (other.status_code, other.json["code"]) == (422, "key_reused")


def test_what_does_not_ship_is_not_adopted(admin: Client) -> None:
    answer = admin.post(SETS, {"id": SHIPPED, "version": 9, "in_force_from": "2026-01-01"})
    assert (answer.status_code, answer.json["code"]) == (422, "unknown_criteria_set")


def test_every_set_is_shown_with_its_caution_and_limits(world: World, admin: Client) -> None:
    before = fits(CriteriaSetsSchema, admin.get(SETS))
    assert [one["id"] for one in before["shipped"]] == [SHIPPED]
    adopted(admin)
    for role in (SUBMITTER, CLINICIAN, ADMINISTRATOR):
        (one,) = fits(CriteriaSetsSchema, world.client(role).get(SETS))["items"]
        assert one["caution"]["text"]
        assert one["limits"]
        assert one["intended_user"]


def test_a_version_is_shown_whole_as_json_and_as_people_wrote_it(admin: Client) -> None:
    adopted(admin)
    address = f"{SETS}/{SHIPPED}/versions/1"
    whole = fits(WholeVersionSchema, admin.get(address))
    assert whole["document"]["id"] == SHIPPED
    yaml = admin.get(address, headers={"Accept": "application/yaml"})
    assert yaml.mimetype == "application/yaml"
    assert yaml.text == (CRITERIA_SETS / SHIPPED / "1.yaml").read_text(encoding="utf-8")
    assert admin.get(f"{SETS}/{SHIPPED}/versions/2").status_code == 404


def test_a_version_is_retired_in_the_past(world: World, admin: Client) -> None:
    adopted(admin)
    address, body = f"{SETS}/{SHIPPED}/versions/1/retire", {"retired_from": "2026-06-01", "reason": "mistyped"}
    assert fits(VersionSchema, admin.post(address, body), 201)["state"] == "retired"
    assert admin.post(address, body).status_code == 200
    again = admin.post(address, body | {"reason": "another"})
    assert (again.status_code, again.json["code"]) == (409, "already_retired")
    assert judging(world, "2026-05-31") == f"{SHIPPED}/1"
    template = admin.get(f"{SETS}/{SHIPPED}/template")
    assert (template.status_code, template.json["code"]) == (422, "no_criteria_in_force")


def test_drafts_are_changed_by_who_has_seen_them(admin: Client) -> None:
    made = admin.post(DRAFTS, ORIGIN)
    assert made.headers["Location"] == DRAFT
    seen = admin.get(DRAFT).headers["ETag"]
    assert made.headers["ETag"] == seen
    text = {"source": "id: x\n", "examples": "[]\n"}
    assert admin.put(DRAFT, text).status_code == 428
    assert admin.put(DRAFT, text, headers={"If-Match": '"9-000000000000"'}).status_code == 412
    changed = admin.put(DRAFT, text, headers={"If-Match": seen})
    assert (changed.status_code, changed.json["source"]) == (200, "id: x\n")
    assert admin.put(DRAFT, text, headers={"If-Match": seen}).status_code == 412
    assert admin.delete(DRAFT).status_code == 428
    assert admin.delete(DRAFT, headers={"If-Match": seen}).status_code == 412
    assert admin.delete(DRAFT, headers={"If-Match": changed.headers["ETag"]}).status_code == 204
    assert admin.get(DRAFTS).json["items"] == []


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "#/from"),
        (ORIGIN | {"source": "x", "examples": "y"}, "#/source"),
        ({"source": "id: a\nversion: 1\n"}, "#/examples"),
        ({"source": "", "examples": "y", "id": "a", "version": 1}, "#/source"),
        ({"from": {"id": SHIPPED, "version": 0}, "id": CLUB}, "#/from/version"),
        (ORIGIN | {"id": "Club Ankle"}, "#/id"),
    ],
)
def test_the_fault_of_a_draft_has_its_place(admin: Client, body: Any, pointer: str) -> None:
    answer = admin.post(DRAFTS, body)
    assert answer.status_code == 422
    assert pointer in [one["pointer"] for one in answer.json["errors"]]


@pytest.mark.parametrize("text", ["\\u0000", "\\ud800"])
def test_half_a_character_in_a_draft_is_refused(admin: Client, text: str) -> None:
    body = f'{{"source": "{text}", "examples": "x", "id": "{CLUB}", "version": 1}}'
    answer = admin.open("POST", DRAFTS, data=body, content_type="application/json")
    assert answer.status_code in {400, 422}


def test_administrators_write_and_all_roles_read(world: World, admin: Client) -> None:
    adopted(admin)
    admin.post(DRAFTS, ORIGIN)
    for role in (SUBMITTER, CLINICIAN):
        client = world.client(role)
        for path in ("", f"/{SHIPPED}", f"/{SHIPPED}/versions/1", f"/{SHIPPED}/template"):
            assert client.get(f"{SETS}{path}").status_code == 200
        assert client.get("/v1/tests").status_code == 200
        assert adopted(client).status_code == 403
        assert client.post(DRAFTS, ORIGIN).status_code == 403
        assert client.post(f"{DRAFT}/publish", {"in_force_from": "2026-12-01"}).status_code == 403
        assert client.get(DRAFT).status_code == 403


def test_tests_say_what_can_be_sent_of_them(admin: Client) -> None:
    assert admin.get("/v1/tests").json["items"] == []
    adopted(admin)
    items = {one["id"]: one for one in admin.get("/v1/tests").json["items"]}
    for one in items.values():
        _, faults = load(MeasurableSchema(), one)
        assert not faults
    lunge = items["weight_bearing_lunge_distance"]
    assert lunge["sides"] == ["left", "right"]
    assert {"cm", "mm", "[in_i]"} <= set(lunge["units"])
    assert items["heel_rise_repetitions"]["units"] == ["1"]
    assert {one["id"] for one in items["side_hop_time"]["setup"]} >= {"support", "footwear"}


def test_the_template_of_every_gate_can_be_filled_in_and_sent(world: World, admin: Client) -> None:
    adopted(admin)
    listed = admin.get(f"{SETS}/{SHIPPED}").json["stages"]
    organisation = world.organisation
    criteria = world.context.database.read(
        lambda tx: choose(tx, organisation, condition="lateral_ankle_sprain", on=date(2026, 11, 20))
    )
    for stage in (one["id"] for one in listed):
        found = fits(TemplateSchema, admin.get(f"{SETS}/{SHIPPED}/template?stage={stage}&involved_side=left"))
        gate = criteria.gates[stage]
        shown = {test.id for key in gate.shows for test in criteria.criteria[key].tests}
        assert {one["id"] for one in found["tests"]} == gate.reads | shown
        assert found["criteria_set"]["caution"]["text"]
        loaded, faults = load(BatterySchema(), filled(found))
        assert not faults
        assert list(catalogue_faults(loaded, criteria.catalogue, tuple(one.id for one in criteria.referral))) == []


def filled(found: Any) -> Any:
    """The template's battery with its nulls filled in."""
    body = found["battery"]
    answers = {one["id"]: one["answers"] for part in found["questions"].values() for one in part}
    for part in ("session_check", "setup"):
        body[part] = {key: first_of(answers[key]) for key in body[part]}
    body["referral"] = dict.fromkeys(body["referral"], False)
    body["athlete"]["ref"] = "KB-1"
    body["episode"] |= {
        "ref": "KB-1-1",
        "condition": "lateral_ankle_sprain",
        "involved_side": "left",
        "onset_on": "2026-10-04",
        "other_side": "healthy",
    }
    body["performed_at"] = "2026-11-20T16:30:00+01:00"
    body["since_last"]["events"] = []
    for one in body["since_last"]["sessions"]:
        takes = "minutes" if "minutes" in one else "efforts"
        one |= {"on": "2026-11-18", takes: 30, "worst_pain": 0, "next_morning_rise": 0, "medication": "none"}
    for one in body["measurements"]:
        one["trials"] = [{"value": 7} for _ in one["trials"]]
        one |= {key: 0 for key in ("pain", "instability") if key in one}
    return body


def test_the_template_says_how_the_gate_needs_each_test(admin: Client) -> None:
    adopted(admin)
    found = admin.get(f"{SETS}/{SHIPPED}/template?stage=team_training").json
    needs = {one["id"]: one["need"] for one in found["tests"]}
    assert needs == {
        "pain_worst_24h": "asked",
        "foot_lifts_eyes_closed": "asked",
        "instability_score": "shown",
        "readiness_score": "shown",
        "anterior_reach": "shown",
        "evertor_strength": "asked",
        "figure_of_eight_hop_time": "choice",
        "heel_rise_repetitions": "asked",
        "side_hop_time": "asked",
        "single_hop_distance": "shown",
        "single_hops_on_the_spot": "otherwise",
        "t_test_time": "otherwise",
        "triple_hop_distance": "choice",
        "weight_bearing_lunge_distance": "asked",
    }
    asked = {key for key, need in needs.items() if need != "otherwise"}
    assert {one["test"] for one in found["battery"]["measurements"]} == asked


def test_no_body_asks_for_hops_of_a_later_stage(admin: Client) -> None:
    adopted(admin)
    found = admin.get(f"{SETS}/{SHIPPED}/template?stage=hop_and_cut").json
    assert {"side_hop_time", "t_test_time"} <= {one["id"] for one in found["tests"]}
    assert not {"side_hop_time", "t_test_time"} & {one["test"] for one in found["battery"]["measurements"]}


def first_of(answers: Any) -> Any:
    return answers[0] if isinstance(answers, list) else answers["at_least"]


def test_the_well_side_is_measured_first(admin: Client) -> None:
    adopted(admin)
    found = admin.get(f"{SETS}/{SHIPPED}/template?stage=team_training&involved_side=left").json["battery"]
    sides = [one["side"] for one in found["measurements"] if one["test"] == "side_hop_time"]
    assert sides == ["right", "left"]
    well, injured = (one for one in found["measurements"] if one["test"] == "side_hop_time")
    assert "pain" not in well
    assert "pain" in injured


def test_the_template_of_a_version_is_shown_before_it_begins_too(admin: Client) -> None:
    address = f"{SETS}/{SHIPPED}/template"
    assert fits(TemplateSchema, admin.get(f"{address}?version=1"))["battery"]["criteria_version"] == 1
    adopted(admin, "2027-01-01")
    assert admin.get(address).json["code"] == "no_criteria_in_force"
    assert fits(TemplateSchema, admin.get(f"{address}?version=1"))["stage"]["id"] == "protected_loading"


def test_the_template_of_a_draft_is_shown(admin: Client) -> None:
    admin.post(DRAFTS, ORIGIN)
    found = fits(TemplateSchema, admin.get(f"{SETS}/{CLUB}/template?version=1&stage=team_training"))
    assert found["battery"]["criteria_set"] == CLUB


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ("stage=none", 422, "unknown_stage"),
        ("version=9", 422, "unknown_criteria_set"),
        ("version=0", 400, "invalid_query"),
        ("involved_side=middle", 400, "invalid_query"),
        ("gate=running", 400, "invalid_query"),
    ],
)
def test_a_wrong_question_for_a_template_is_refused(admin: Client, query: str, status: int, code: str) -> None:
    adopted(admin)
    answer = admin.get(f"{SETS}/{SHIPPED}/template?{query}")
    assert (answer.status_code, answer.json["code"]) == (status, code)


def test_the_stage_of_a_template_is_named_where_it_was_asked_for(admin: Client) -> None:
    adopted(admin)
    [fault] = admin.get(f"{SETS}/{SHIPPED}/template?stage=none").json["errors"]
    assert (fault["pointer"], fault["code"]) == ("?stage", "unknown_name")


def test_the_template_of_an_episode_has_its_refs_its_well_side_first_and_the_screen_that_is_due(
    database_url: str,
) -> None:
    clinic = new_clinic(database_url)
    posted = clinic.post_battery(small("A"))
    address = f"{SETS}/{SHIPPED}/template?stage=team_training&episode={posted['episode_id']}"

    found = fits(TemplateSchema, clinic.clinician.get(address))

    assert found["battery"]["athlete"] == {"ref": "KB-1"}
    assert found["battery"]["episode"] == {"ref": "KB-1-1"}
    assert found["referral"] == []
    sides = [one["side"] for one in found["battery"]["measurements"] if "side" in one]
    assert sides[:2] == ["right", "left"]
    assert_problem(clinic.clinician.get(f"{address}&involved_side=left"), 400, "invalid_query")
    elsewhere = new_clinic(database_url).clinician.get(address)
    assert_problem(elsewhere, 404, "not_found")
