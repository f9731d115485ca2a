"""A battery on record reads as it was sent, and says what became of it."""

import json
from decimal import Decimal
from typing import Any

import pytest

from schemas.battery import BatterySchema
from schemas.faults import load
from schemas.sent_battery import ShownBatterySchema
from service.domain.battery import battery_document
from service.domain.canonical import canonical
from service.use_cases.context import CLINICIAN, SUBMITTER
from tests.builders import baseline, battery, measured, not_measured, passing_measurements
from tests.recorded import Clinic, clinic_of
from tests.world import new_world

BATTERIES = "/v1/batteries"
LEGS = {
    "leg_length": {"left": {"value": 87.5, "unit": "cm"}, "measured_on": "2026-09-01"},
    "body_mass": {"value": 61.25, "unit": "kg", "measured_on": "2026-09-01"},
}


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return clinic_of(new_world(database_url))


def shown(clinic: Clinic, address: str, role: str = CLINICIAN) -> Any:
    answer = clinic.world.client(role).get(f"{BATTERIES}{address}")
    assert answer.status_code == 200, answer.text
    assert load(ShownBatterySchema(), answer.json)[1] == []
    return answer.json


def odd_battery() -> dict[str, Any]:
    """Every form of a measurement: an invalid trial, one value for three trials, unable, not done."""
    kept = [one for one in passing_measurements() if one["test"] not in ("side_hop_time", "evertor_strength")]
    tried = measured("side_hop_time", "left", "9.90", "9.60")
    tried["trials"].insert(1, {"value": Decimal("9.10"), "valid": False, "invalid_because": "balance"})
    other = measured("side_hop_time", "right", "9.1", "8.9")
    summed = {"test": "evertor_strength", "side": "left", "unit": "N", "value": 184, "trials_summarised": 3, "pain": 0}
    unable = not_measured("evertor_strength", "right", "unable", "pain", pain=4)
    return battery("A", measurements=[*kept, tried, other, summed, unable])


def test_what_was_sent_reads_as_it_was_sent(clinic: Clinic) -> None:
    answered = clinic.post(odd_battery(), person=LEGS, tester="staff-12", occasion="friday")
    sent = shown(clinic, f"/{answered['battery_id']}")["battery"]

    assert (sent["ref"], sent["tester"], sent["occasion"]) == ("A", "staff-12", "friday")
    assert (sent["athlete"]["ref"], sent["episode"]["ref"]) == ("KB-1", "KB-1-1")
    hop = next(one for one in sent["measurements"] if (one["test"], one.get("side")) == ("side_hop_time", "left"))
    assert hop["trials"] == [
        {"value": "9.9"},
        {"value": "9.1", "valid": False, "invalid_because": "balance"},
        {"value": "9.6"},
    ]
    assert sent["athlete"]["leg_length"] == {"left": {"value": "87.5", "unit": "cm"}, "measured_on": "2026-09-01"}
    assert sent["athlete"]["body_mass"]["value"] == "61.25"
    by_test = {(one["test"], one.get("side")): one for one in sent["measurements"]}
    assert by_test["evertor_strength", "left"]["value"] == "184"
    assert by_test["evertor_strength", "right"]["because"] == "pain"
    assert "trials" not in by_test["evertor_strength", "right"]


def test_what_is_shown_could_be_posted_again_and_would_be_the_same_document(clinic: Clinic) -> None:
    answered = clinic.post(odd_battery())
    sent = shown(clinic, f"/{answered['battery_id']}")["battery"]

    again = json.loads(json.dumps(with_numbers(sent)), parse_float=Decimal)
    loaded, faults = load(BatterySchema(), again)

    assert faults == []
    on = loaded["performed_at"].date()
    first, _ = load(BatterySchema(), json.loads(json.dumps(clinic.body(odd_battery())), parse_float=Decimal))
    for one in (loaded, first):
        one["athlete"].pop("new", None)
    assert canonical(battery_document(loaded, on, names={})) == canonical(battery_document(first, on, names={}))


def with_numbers(value: Any, key: str = "") -> Any:
    """Figures as numbers again."""
    if isinstance(value, dict):
        return {name: with_numbers(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [with_numbers(one) for one in value]
    return float(value) if key == "value" else value


def test_a_battery_is_found_by_its_ref_in_its_latest_revision(clinic: Clinic) -> None:
    first = clinic.post(battery("A"))
    second = clinic.post(battery("A", "2026-11-20T16:35:00+01:00", supersedes={"ref": "A"}))

    latest, former = shown(clinic, "?ref=A"), shown(clinic, "?ref=A&revision=1")

    assert (latest["id"], latest["revision"], latest["state"]) == (second["battery_id"], 2, "standing")
    assert latest["battery"]["supersedes"] == {"id": first["battery_id"]}
    assert (former["id"], former["state"], former["superseded_by"]) == (
        first["battery_id"],
        "superseded",
        second["battery_id"],
    )
    assert [one["standing"]["state"] for one in former["decisions"]] == ["superseded"]


def test_a_void_battery_says_so(clinic: Clinic) -> None:
    first = clinic.post(battery("A"))
    voided = clinic.world.client(CLINICIAN).post(f"/v1/entries/{first['battery_id']}/void", {"reason": "wrong athlete"})
    assert voided.status_code == 201, voided.text

    found = shown(clinic, "?ref=A")

    assert found["state"] == "void"
    assert [one["standing"]["state"] for one in found["decisions"]] == ["withdrawn"]


def test_a_baseline_has_no_episode_and_no_decision(clinic: Clinic) -> None:
    clinic.post(battery("A"))
    one = baseline("P", "2026-08-01T10:00:00+02:00", [measured("t_test_time", None, "9.8")])
    kept = clinic.post(one, episode=None)

    found = shown(clinic, f"/{kept['battery_id']}")

    assert (found["episode_id"], found["decisions"], found["cautions"]) == (None, [], {})
    assert "episode" not in found["battery"]


def test_a_follow_up_names_what_it_follows(clinic: Clinic) -> None:
    first = clinic.post(battery("A"))
    clinic.morning("A")

    found = shown(clinic, "?ref=A-morning")

    assert found["battery"]["follows"] == {"id": first["battery_id"]}
    assert len(found["decisions"]) == 1


@pytest.mark.parametrize("address", ["?ref=nothing", "?ref=A&revision=2", "/01890a5d-ac96-774b-bcce-b302099a8057"])
def test_what_is_not_there_is_not_found(clinic: Clinic, address: str) -> None:
    clinic.post(battery("A"))

    assert clinic.world.client(CLINICIAN).get(f"{BATTERIES}{address}").status_code == 404


def test_a_ref_is_asked_for(clinic: Clinic) -> None:
    answer = clinic.world.client(CLINICIAN).get(BATTERIES)

    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (400, "?ref")


def test_a_submitter_is_shown_own_posts_only(clinic: Clinic) -> None:
    own = clinic.post(battery("A"))
    theirs = clinic.post(battery("B"), athlete="KB-2", by=clinic.world.clinician)
    client = clinic.world.client(SUBMITTER)

    assert client.get(f"{BATTERIES}/{own['battery_id']}").status_code == 200
    assert client.get(f"{BATTERIES}/{theirs['battery_id']}").status_code == 404
    assert client.get(f"{BATTERIES}?ref=B").status_code == 404


def test_another_organisation_finds_nothing(clinic: Clinic, database_url: str) -> None:
    own = clinic.post(battery("A"))
    client = new_world(database_url).client(CLINICIAN)

    assert client.get(f"{BATTERIES}/{own['battery_id']}").status_code == 404
    assert client.get(f"{BATTERIES}?ref=A").status_code == 404
