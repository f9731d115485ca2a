"""An athlete and an episode over time: facts, position, what is open and due, and every entry in a plain sentence."""

from collections.abc import Mapping
from typing import Any

import pytest
import sqlalchemy as sa

from schemas.faults import load
from schemas.people import ShownAthleteSchema, ShownEpisodeSchema
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.builders import battery, referral_answers
from tests.recorded import Clinic, clinic_of
from tests.world import new_world

ATHLETES, EPISODES = "/v1/athletes", "/v1/episodes"
FINDING = "fifth_metatarsal_tender"


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return clinic_of(new_world(database_url))


def athlete(clinic: Clinic, address: str = "?ref=KB-1") -> Any:
    answer = clinic.world.client(CLINICIAN).get(f"{ATHLETES}{address}")
    assert answer.status_code == 200, answer.text
    assert load(ShownAthleteSchema(), answer.json)[1] == []
    return answer.json


def episode(clinic: Clinic, id_: str) -> Any:
    answer = clinic.world.client(CLINICIAN).get(f"{EPISODES}/{id_}")
    assert answer.status_code == 200, answer.text
    assert load(ShownEpisodeSchema(), answer.json)[1] == []
    return answer.json


def tell(clinic: Clinic, path: str, body: Mapping[str, Any], role: str = CLINICIAN) -> Any:
    answer = clinic.world.client(role).post(path, body)
    assert answer.status_code == 201, answer.text
    return answer.json


def sign(clinic: Clinic, decision: Mapping[str, Any], **more: Any) -> Any:
    body = {"decision_digest": decision["digest"], "determination": "agree", **more}
    return tell(clinic, f"/v1/decisions/{decision['id']}/sign-offs", body)


def test_an_athlete_is_shown_with_every_episode(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))

    shown = athlete(clinic)

    assert (shown["id"], shown["ref"], shown["birth_year"]) == (decided["athlete_id"], "KB-1", 2000)
    assert shown == athlete(clinic, f"/{decided['athlete_id']}")
    [one] = shown["episodes"]
    assert (one["condition"], one["involved_side"], one["onset_on"]) == ("lateral_ankle_sprain", "left", "2026-10-04")
    assert one["position"] is None
    assert one["supported_stage"] == "team_training"
    assert not one["step_back_proposed"]
    assert [task["kind"] for task in one["open_tasks"]] == ["follow_up"]
    assert one["latest_decision"]["id"] == decided["id"]
    assert set(shown["cautions"]) == {decided["criteria_set"]["digest"]}


def test_the_latest_decision_of_each_episode_is_shown(clinic: Clinic) -> None:
    clinic.post(battery("A"))
    latest = clinic.morning("A")
    clinic.post(battery("B", "2026-11-24T10:00:00+01:00"), episode="KB-1-2")

    by_ref = {one["ref"]: one for one in athlete(clinic)["episodes"]}

    assert by_ref["KB-1-1"]["latest_decision"]["id"] == latest["id"]
    assert by_ref["KB-1-2"]["latest_decision"]["battery_id"] is not None


def test_a_position_is_what_a_named_professional_set(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))
    position = {"stage": "team_training", "participation": "modified_training"}
    sign(clinic, decided, position=position, conditions="No matches.", valid_until="2026-11-30")

    one = episode(clinic, decided["episode_id"])

    assert {key: one["position"][key] for key in ("stage", "participation", "until", "conditions", "lapsed")} == {
        **position,
        "until": "2026-11-30",
        "conditions": "No matches.",
        "lapsed": False,
    }
    assert one["position"]["set_by"]["display_name"] == "Invented Clinician"
    assert one["position"]["set_by"]["profession"] == "physiotherapist"
    assert one["latest_decision"]["signed"]
    clinic.world.at("2026-12-01T08:00:00+01:00")
    assert episode(clinic, decided["episode_id"])["position"]["lapsed"]


def test_what_held_when_an_episode_was_closed_does_not_lapse_afterwards(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))
    position = {"stage": "team_training", "participation": "modified_training"}
    sign(clinic, decided, position=position, conditions="No matches.", valid_until="2026-11-30")
    clinic.world.at("2026-11-25T18:00:00+01:00")
    closed = {"kind": "closed", "on": "2026-11-25", "cause": "moved away"}
    tell(clinic, f"{EPISODES}/{decided['episode_id']}/events", closed)
    clinic.world.at("2026-12-01T08:00:00+01:00")

    one = episode(clinic, decided["episode_id"])

    assert (one["position"]["until"], one["position"]["lapsed"]) == ("2026-11-30", False)
    assert "lapse" not in [line["kind"] for line in one["timeline"]]


def test_a_step_back_is_proposed_where_less_is_supported_than_was_set(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))
    sign(clinic, decided, position={"stage": "team_training", "participation": "full_training"})
    assert not episode(clinic, decided["episode_id"])["step_back_proposed"]

    clinic.world.at("2026-11-23T08:00:00+01:00")
    told = tell(clinic, f"{EPISODES}/{decided['episode_id']}/events", {"kind": "giving_way", "on": "2026-11-22"})

    one = episode(clinic, decided["episode_id"])
    assert told["withdrawn"] == [decided["id"]]
    assert (one["supported_stage"], one["step_back_proposed"]) == (None, True)
    assert one["latest_decision"]["standing"]["state"] == "withdrawn"
    assert athlete(clinic)["episodes"][0]["step_back_proposed"]

    tell(clinic, f"{EPISODES}/{decided['episode_id']}/events", {"kind": "closed", "on": "2026-11-23", "cause": "moved"})
    assert not episode(clinic, decided["episode_id"])["step_back_proposed"]


def test_findings_are_shown_open_and_closed_with_who_resolved_them(clinic: Clinic) -> None:
    raised = clinic.post(battery("A", referral={**referral_answers(), FINDING: True}))
    [finding] = episode(clinic, raised["episode_id"])["findings"]
    assert (finding["finding"], finding["resolved"]) == (FINDING, None)
    assert [one["finding"] for one in athlete(clinic)["episodes"][0]["open_findings"]] == [FINDING]

    resolution = {"as": "ruled_out", "rationale": "Radiographs without a fracture."}
    tell(clinic, f"{EPISODES}/{raised['episode_id']}/findings/{FINDING}/resolution", resolution)

    [finding] = episode(clinic, raised["episode_id"])["findings"]
    assert finding["resolved"]["as"] == "ruled_out"
    assert finding["resolved"]["by"]["display_name"] == "Invented Clinician"
    assert finding["resolved"]["rationale"] == resolution["rationale"]
    assert athlete(clinic)["episodes"][0]["open_findings"] == []


def test_exceptions_are_shown_as_long_as_they_hold(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))
    criterion = next(one["criterion"] for one in decided["reasons"] if one["part_of"] is None)
    waiver = {"stage": "team_training", "criterion": criterion, "until": "2026-11-25", "reason": "An old limp."}
    tell(clinic, f"{EPISODES}/{decided['episode_id']}/exceptions", waiver)

    [one] = episode(clinic, decided["episode_id"])["exceptions"]

    assert {key: one[key] for key in waiver} == waiver
    assert one["in_force"]
    clinic.world.at("2026-11-26T08:00:00+01:00")
    assert not episode(clinic, decided["episode_id"])["exceptions"][0]["in_force"]


def test_the_timeline_tells_every_entry_in_a_plain_sentence_oldest_first(clinic: Clinic) -> None:
    decided = clinic.post(battery("A", referral={**referral_answers(), FINDING: True}))
    at = f"{EPISODES}/{decided['episode_id']}"
    tell(clinic, f"{at}/findings/{FINDING}/resolution", {"as": "ruled_out", "rationale": "Radiographs."})
    clinic.morning("A")
    tell(clinic, f"{at}/events", {"kind": "corrected", "other_side": "unknown"} | {"on": "2026-11-21"})
    tell(clinic, f"{at}/events", {"kind": "setback", "on": "2026-11-21"})
    tell(clinic, f"{at}/sign-offs", {"position": {"stage": "rebuild", "participation": "none"}, "rationale": "Rest."})
    closed = tell(clinic, f"{at}/events", {"kind": "closed", "at": "2026-11-21T08:04:00+01:00", "cause": "moved away"})
    tell(clinic, f"/v1/entries/{closed['id']}/void", {"reason": "wrong athlete"})
    tell(clinic, f"{at}/events", {"kind": "ref_changed", "ref": "KB-1-9"})

    shown = episode(clinic, decided["episode_id"])["timeline"]

    told = [(one["kind"], one["sentence"]) for one in shown]
    assert [one["occurred_at"] for one in shown] == sorted(one["occurred_at"] for one in shown)
    assert ("event", "Corrected: other side unknown.") in told
    assert ("event", "Setback reported.") in told
    assert ("event", "Episode closed: moved away.") in told
    assert ("event", "The episode has another ref.") in told
    assert ("void", "An entry made in error was taken back.") in told
    rests = "Position set without a decision: Rebuilding range, balance and strength, no participation."
    assert ("sign_off", rests) in told
    assert ("finding_resolution", "Finding fifth metatarsal tender: ruled out.") in told
    said = "Assessment with 16 measurements, posted for Team training; findings: fifth metatarsal tender."
    assert ("battery", said) in told
    assert all(sentence.endswith(".") and "_" not in sentence for _, sentence in told)
    assert [one["counts"] for one in shown if one["id"] == closed["id"]] == [False]
    by = {one["kind"]: one["by"] for one in shown}
    assert by["battery"]["display_name"] == "Invented record system"
    assert by["sign_off"]["profession"] == "physiotherapist"


def test_the_refs_go_with_an_erasure_and_the_episode_stays_readable(clinic: Clinic) -> None:
    decided = clinic.post(battery("A"))
    path = f"{ATHLETES}/{decided['athlete_id']}/erasure"
    clinic.world.at("2026-11-22T08:00:00+01:00")
    tell(clinic, path, {"scope": "default", "reason": "asked for it"}, ADMINISTRATOR)

    shown = athlete(clinic, f"/{decided['athlete_id']}")
    assert (shown["ref"], shown["erased_at"]) == (None, "2026-11-22T07:00:00.000000Z")
    assert episode(clinic, decided["episode_id"])["ref"] is None
    assert clinic.world.client(CLINICIAN).get(f"{ATHLETES}?ref=KB-1").status_code == 404

    tell(clinic, path, {"scope": "full", "reason": "asked for it"}, ADMINISTRATOR)
    shown = athlete(clinic, f"/{decided['athlete_id']}")
    assert shown["birth_year"] is None
    for one in shown["episodes"]:
        entries = episode(clinic, one["id"])["timeline"]
        assert {told["sentence"] for told in entries} == {"What this entry said was erased."}


@pytest.mark.parametrize("role", [SUBMITTER, ADMINISTRATOR])
def test_only_a_clinician_reads_about_people(clinic: Clinic, role: str) -> None:
    decided = clinic.post(battery("A"))
    client = clinic.world.client(role)

    for path in (f"{ATHLETES}?ref=KB-1", f"{ATHLETES}/{decided['athlete_id']}", f"{EPISODES}/{decided['episode_id']}"):
        assert client.get(path).status_code == 403


def test_another_organisation_finds_nobody(clinic: Clinic, database_url: str) -> None:
    decided = clinic.post(battery("A"))
    client = new_world(database_url).client(CLINICIAN)

    for path in (f"{ATHLETES}?ref=KB-1", f"{ATHLETES}/{decided['athlete_id']}", f"{EPISODES}/{decided['episode_id']}"):
        assert client.get(path).status_code == 404


def test_each_page_is_a_few_queries_however_long_the_record_is(clinic: Clinic) -> None:
    def queries() -> dict[str, int]:
        client = clinic.world.client(CLINICIAN)
        engine = client.flask.application.extensions["rts"].database.engine
        counted: dict[str, int] = {}
        paths = (f"{ATHLETES}?ref=KB-1", f"{EPISODES}/{decided['episode_id']}", "/v1/decisions", "/v1/retests")
        for path in paths:
            seen: list[str] = []

            def note(_connection: Any, _cursor: Any, statement: str, *_: Any, seen: list[str] = seen) -> None:
                seen.append(statement)

            sa.event.listen(engine, "before_cursor_execute", note)
            assert client.get(path).status_code == 200
            sa.event.remove(engine, "before_cursor_execute", note)
            counted[path] = len([one for one in seen if one.startswith("SELECT")])
        return counted

    decided = clinic.post(battery("A"))
    queries()
    before = queries()
    clinic.morning("A")
    for day in (24, 26, 28):
        clinic.post(battery(f"B{day}", f"2026-11-{day}T10:00:00+01:00"), stage="running")

    assert queries() == before
    assert max(before.values()) <= 10
