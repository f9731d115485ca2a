"""The state is what the record says: after a long story it equals a rebuild, and a changed row is found and mended."""

from collections.abc import Mapping
from typing import Any

import pytest
import sqlalchemy as sa

from service.domain.errors import NotFoundError
from service.store.tables import METADATA
from service.use_cases.context import ADMINISTRATOR, CLINICIAN
from service.use_cases.rebuilding import Difference, check, rebuild
from service.use_cases.verifying import verify_decision
from tests.builders import baseline, battery, measured, not_measured, passing_measurements, referral_answers
from tests.databases import MadeDatabase
from tests.recorded import Clinic, clinic_of
from tests.use_cases.test_verifying import change, stored
from tests.world import new_world

FINDING = "fifth_metatarsal_tender"


def told(clinic: Clinic, path: str, body: Mapping[str, Any], role: str = CLINICIAN) -> Any:
    answer = clinic.world.client(role).post(path, body)
    assert answer.status_code == 201, answer.text
    return answer.json


def differences(clinic: Clinic) -> list[tuple[str, tuple[str, ...]]]:
    report = check(clinic.world.context, clinic.world.organisation)
    assert report.broken == []
    return [(one.table, one.columns) for one in report.differences]


def long_story(clinic: Clinic) -> dict[str, Any]:
    """Everything that can be put on record of one athlete, in an order in which it might happen."""
    kept = [one for one in passing_measurements() if (one["test"], one.get("side")) != ("evertor_strength", "left")]
    lacking = [*kept, not_measured("evertor_strength", "left", "not_done", "time")]
    first = clinic.post(battery("A", measurements=lacking, referral={**referral_answers(), FINDING: True}))
    clinic.post(baseline("P", "2026-08-01T10:00:00+02:00", [measured("t_test_time", None, "9.8")]))
    clinic.world.at("2026-11-20T17:00:00+01:00")
    at = f"/v1/episodes/{first['episode_id']}"
    told(clinic, f"/v1/retests/{first['retest']['id']}/reschedule", {"due_on": "2026-11-30", "reason": "travels"})
    told(clinic, f"{at}/findings/{FINDING}/resolution", {"as": "ruled_out", "rationale": "Radiographs."})
    clinic.morning("A")
    asked = [one["criterion"] for one in first["reasons"] if one["part_of"] is None]
    waiver = {"stage": "team_training", "criterion": asked[0], "until": "2026-12-05", "reason": "An old limp."}
    waived = told(clinic, f"{at}/exceptions", waiver)
    passed = clinic.post(battery("B", "2026-11-24T16:30:00+01:00", confirmed=None))
    told(clinic, f"/v1/batteries/{passed['battery_id']}/confirmations", {"confirms": ["sides"]})
    decided = told(clinic, f"{at}/decisions", {"target_stage": "team_training"})
    position = {"stage": "running", "participation": "modified_training"}
    body = {"decision_digest": decided["digest"], "determination": "agree", "position": position}
    told(clinic, f"/v1/decisions/{decided['id']}/sign-offs", body)
    clinic.post(battery("B", "2026-11-24T16:30:00+01:00", supersedes={"ref": "B"}), stage="running")
    told(clinic, f"/v1/entries/{waived['id']}/void", {"reason": "the wrong criterion"})
    clinic.world.at("2026-11-26T08:00:00+01:00")
    told(clinic, f"{at}/events", {"kind": "setback", "on": "2026-11-25"})
    clinic.post(battery("C", "2026-11-28T10:00:00+01:00"), stage="competition")
    clinic.morning("C", "2026-11-29T08:00:00+01:00")
    clinic.post(battery("D", "2026-11-29T10:00:00+01:00"), episode="KB-1-2", stage=None)
    told(clinic, f"/v1/athletes/{first['athlete_id']}/events", {"kind": "ref_changed", "ref": "KB-9"})
    clinic.world.at("2026-11-30T08:00:00+01:00")
    told(clinic, f"{at}/events", {"kind": "closed", "on": "2026-11-30", "cause": "back in the team"})
    return first


@pytest.fixture
def clinic(own_database: MadeDatabase) -> Clinic:
    return clinic_of(new_world(own_database.url))


def test_after_a_long_story_the_state_is_what_a_rebuild_makes(clinic: Clinic) -> None:
    first = long_story(clinic)
    clinic.post(battery("Z", "2026-11-30T10:00:00+01:00"), athlete="KB-2")

    assert differences(clinic) == []
    told(clinic, f"/v1/athletes/{first['athlete_id']}/erasure", {"scope": "default", "reason": "asked"}, ADMINISTRATOR)
    assert differences(clinic) == []
    told(clinic, f"/v1/athletes/{first['athlete_id']}/erasure", {"scope": "full", "reason": "asked"}, ADMINISTRATOR)
    assert differences(clinic) == []


def test_every_decision_of_a_long_story_follows_from_the_record(clinic: Clinic) -> None:
    """Whatever was voided, superseded, corrected or told later."""
    long_story(clinic)
    decided = clinic.world.client(CLINICIAN).get("/v1/decisions").json["items"]
    assert len(decided) >= 6

    found = [verify_decision(clinic.world.context, clinic.world.clinician, one["id"]) for one in decided]

    assert {(one["result"], one["chain"]["intact"]) for one in found} == {("identical", True)}


def test_days_later_the_state_is_still_what_a_rebuild_makes(clinic: Clinic) -> None:
    """What expires does so by its date, and nothing of it is stored."""
    clinic.post(battery("A"))
    clinic.morning("A")
    clinic.world.at("2027-06-01T08:00:00+02:00")

    assert differences(clinic) == []


CORRUPTIONS = {
    "athletes": ("birth_year = 1999", ("birth_year",)),
    "episodes": ("other_side = 'unknown'", ("other_side",)),
    "batteries": ("state = 'void'", ("state",)),
    "decisions": ("outcome = 'pass', state = 'void'", ("outcome", "state")),
    "unmet_criteria": ("status = 'not_met'", ("status",)),
    "tasks": ("due_on = '2027-01-01', state = 'closed'", ("due_on", "state")),
}


def test_a_changed_row_is_found_and_mended(own_database: MadeDatabase, clinic: Clinic) -> None:
    held_up(clinic)
    organisation = stored(own_database, clinic.world.organisation)
    for table, (values, columns) in CORRUPTIONS.items():
        change(own_database, f"UPDATE {table} SET {values} WHERE organisation_id = '{organisation}'")  # noqa: S608
        found = differences(clinic)

        assert found, table
        assert {one[0] for one in found} == {table}
        assert {one[1] for one in found} <= {columns, columns[:1], columns[1:]}, table
        mended = rebuild(clinic.world.context, clinic.world.organisation)
        assert [(one.table, one.columns) for one in mended.differences] == found
        assert differences(clinic) == []


def held_up(clinic: Clinic) -> dict[str, Any]:
    kept = [one for one in passing_measurements() if (one["test"], one.get("side")) != ("evertor_strength", "left")]
    lacking = [*kept, not_measured("evertor_strength", "left", "not_done", "time")]
    return clinic.post(battery("A", measurements=lacking, referral={**referral_answers(), FINDING: True}))


def test_a_missing_row_and_one_too_many_are_found_and_mended(own_database: MadeDatabase, clinic: Clinic) -> None:
    held = held_up(clinic)
    organisation = stored(own_database, clinic.world.organisation)
    change(
        own_database,
        f"DELETE FROM tasks WHERE organisation_id = '{organisation}'",  # noqa: S608 - of this test
        f"UPDATE findings SET finding = 'navicular_tender' WHERE organisation_id = '{organisation}'",  # noqa: S608
    )

    report = check(clinic.world.context, clinic.world.organisation)

    assert {(one.table, one.columns) for one in report.differences} == {("tasks", ()), ("findings", ())}
    assert len(report.differences) == 5
    one = next(one for one in report.differences if one.key == f"id={held['retest']['id']}")
    assert one == Difference(clinic.world.organisation, held["athlete_id"], "tasks", one.key, ())
    rebuild(clinic.world.context, clinic.world.organisation)
    assert check(clinic.world.context, clinic.world.organisation).is_clean


def test_a_record_that_does_not_hold_is_reported_and_never_written_from(
    own_database: MadeDatabase, clinic: Clinic
) -> None:
    held = held_up(clinic)
    organisation = stored(own_database, clinic.world.organisation)
    change(
        own_database,
        f"DELETE FROM record_entries WHERE sequence = 2 AND organisation_id = '{organisation}'",  # noqa: S608
    )

    report = rebuild(clinic.world.context, clinic.world.organisation)

    assert [(one.athlete, one.first_broken) for one in report.broken] == [(held["athlete_id"], 2)]
    assert report.differences == []
    table = METADATA.tables["decisions"]
    query = sa.select(sa.func.count()).select_from(table).where(table.c.organisation_id == clinic.world.organisation)
    assert clinic.world.context.database.read(lambda tx: tx.execute(query).scalar_one()) == 1


def test_one_organisation_or_every_one_is_looked_at(own_database: MadeDatabase, clinic: Clinic) -> None:
    clinic.post(battery("A"))
    other = clinic_of(new_world(own_database.url))
    for number in range(3):
        other.post(battery(f"B{number}"), athlete=f"KB-{number}")
    counted: list[int] = []

    alone = check(other.world.context, other.world.organisation, counted.append)

    assert (alone.athletes, alone.entries, counted) == (3, 6, [1, 2, 3])
    assert check(other.world.context).athletes == 4
    with pytest.raises(NotFoundError):
        check(other.world.context, "01890a5d-ac96-774b-bcce-b302099a8057")
