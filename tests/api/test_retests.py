"""What is due: listed by its date, put off, called off; a closed task stays closed."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa

from schemas.faults import load
from schemas.query_fields import page_of
from schemas.tasks import STATUSES, TaskSchema
from service.api.pages import cursor_of
from service.domain.record import instant
from service.store import tasks
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from service.use_cases.rebuilding import check
from service.use_cases.reminding import hand_due
from tests.builders import battery, measured, not_measured, passing_measurements
from tests.recorded import Clinic, clinic_of
from tests.world import new_world

RETESTS = "/v1/retests"
ATHLETE = "01890a5d-ac96-774b-bcce-b302099a8057"


@pytest.fixture
def clinic(file_database_url: str) -> Clinic:
    return clinic_of(new_world(file_database_url))


def held(clinic: Clinic, ref: str = "A", at: str = "2026-11-20T16:30:00+01:00", athlete: str = "KB-1") -> Any:
    """A hold for a test that was not done: it proposes a retest, and asks the morning after."""
    kept = [one for one in passing_measurements() if (one["test"], one.get("side")) != ("evertor_strength", "left")]
    lacking = [*kept, not_measured("evertor_strength", "left", "not_done", "time")]
    return clinic.post(battery(ref, at, lacking), athlete=athlete)


def listed(clinic: Clinic, **asked: str) -> list[dict[str, Any]]:
    answer = clinic.world.client(CLINICIAN).get(RETESTS, query_string=asked)
    assert answer.status_code == 200, answer.text
    assert load(page_of(TaskSchema)(), answer.json)[1] == []
    return list(answer.json["items"])


def change(clinic: Clinic, id_: str, what: str, body: Mapping[str, Any], **more: Any) -> Any:
    return clinic.world.client(CLINICIAN).post(f"{RETESTS}/{id_}/{what}", body, **more)


def test_open_tasks_are_listed_by_their_dates(clinic: Clinic) -> None:
    decided = held(clinic)

    found = listed(clinic)

    assert [one["due_on"] for one in found] == sorted(one["due_on"] for one in found)
    by_kind = {one["kind"]: one for one in found}
    assert by_kind["retest"]["id"] == decided["retest"]["id"]
    assert by_kind["retest"]["decision_id"] == decided["id"]
    assert by_kind["follow_up"]["id"] == decided["follow_up"]["id"]
    assert by_kind["follow_up"]["battery_id"] == decided["battery_id"]
    assert {one["athlete_ref"] for one in found} == {"KB-1"}


def test_a_filter_finds_what_it_names(clinic: Clinic) -> None:
    decided = held(clinic)
    held(clinic, "B", athlete="KB-2")
    due_on = decided["retest"]["due_on"]

    assert {one["kind"] for one in listed(clinic, kind="retest")} == {"retest"}
    assert {one["athlete_id"] for one in listed(clinic, athlete=decided["athlete_id"])} == {decided["athlete_id"]}
    assert {one["due_on"] for one in listed(clinic, due_from=due_on, due_to=due_on)} == {due_on}
    assert listed(clinic, due_from="2027-06-01") == []
    assert listed(clinic, state="closed") == []
    clinic.morning("A")
    assert [one["closed_because"] for one in listed(clinic, state="closed", kind="follow_up")] == ["done"]


def test_a_task_is_overdue_once_its_window_is_over(clinic: Clinic) -> None:
    held(clinic)
    [task] = listed(clinic, kind="retest")

    clinic.world.at(f"{task['last_day']}T23:00:00+01:00")
    assert task["id"] not in [one["id"] for one in listed(clinic, overdue="true")]
    assert task["id"] in [one["id"] for one in listed(clinic, overdue="false")]
    clinic.world.at("2027-03-01T00:00:00+01:00")
    assert {one["id"]: one["overdue"] for one in listed(clinic, overdue="true")}[task["id"]]
    assert listed(clinic, overdue="false") == []


def test_a_status_finds_the_tasks_that_have_it_on_the_day(clinic: Clinic) -> None:
    held(clinic)
    [retest], [question] = (listed(clinic, kind=kind) for kind in ("retest", "follow_up"))

    def found(day: str, *, days: int = 0) -> dict[str, str]:
        clinic.world.at(datetime.fromisoformat(f"{day}T00:00:00+01:00") + timedelta(days=days))
        every = {(one["kind"], status, one["status"]) for status in STATUSES for one in listed(clinic, status=status)}
        assert all(asked == told for _, asked, told in every)
        return {kind: told for kind, _, told in every}

    assert found(question["due_on"], days=-1) == {"retest": "upcoming", "follow_up": "upcoming"}
    assert found(question["due_on"])["follow_up"] == "due"
    assert found(question["last_day"])["follow_up"] == "due"
    assert found(question["last_day"], days=1)["follow_up"] == "lapsed"
    assert found(retest["due_on"], days=-1)["retest"] == "upcoming"
    assert found(retest["due_on"])["retest"] == "due"
    assert found(retest["last_day"])["retest"] == "due"
    assert found(retest["last_day"], days=1) == {"retest": "overdue", "follow_up": "lapsed"}


def test_a_status_is_of_the_organisations_day(file_database_url: str) -> None:
    clinic = clinic_of(new_world(file_database_url, zone="Pacific/Auckland"))
    held(clinic, at="2026-11-20T16:30:00+13:00")
    [task] = listed(clinic, kind="retest")

    clinic.world.at(f"{task['due_on']}T00:00:00+13:00")

    assert [one["kind"] for one in listed(clinic, status="due", kind="retest")] == ["retest"]
    clinic.world.at(clinic.world.clock() - timedelta(seconds=1))
    assert [one["kind"] for one in listed(clinic, status="upcoming", kind="retest")] == ["retest"]


def test_a_closed_task_is_found_by_its_status_without_a_state(clinic: Clinic) -> None:
    held(clinic)
    clinic.morning("A")

    assert "follow_up" in [one["kind"] for one in listed(clinic, status="closed")]
    assert {one["state"] for one in listed(clinic, status="closed")} == {"closed"}
    assert listed(clinic, status="closed", state="open") == []


def test_the_tasks_of_an_episode_are_found(clinic: Clinic) -> None:
    episode = held(clinic)["episode_id"]
    held(clinic, "B", athlete="KB-2")

    assert {one["episode_id"] for one in listed(clinic, episode=episode)} == {episode}
    assert len(listed(clinic, episode=episode, kind="retest")) == 1


@pytest.mark.parametrize(("name", "value"), [("status", "reminded"), ("episode", "KB-1-1")])
def test_a_filter_that_can_not_be_used_is_named(clinic: Clinic, name: str, value: str) -> None:
    answer = clinic.world.client(CLINICIAN).get(RETESTS, query_string={name: value})

    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (400, f"?{name}")


def test_a_task_tells_when_it_was_reminded_of_last(clinic: Clinic) -> None:
    held(clinic)
    [task] = listed(clinic, kind="retest")
    assert task["reminded_at"] is None
    client = clinic.world.client(CLINICIAN)

    for moment in ("2026-11-22T07:00:30+01:00", "2026-11-25T07:00:30+01:00"):
        clinic.world.at(moment)
        hand_due(clinic.world.context, has_mail=False)
        [task] = listed(clinic, kind="retest")
        assert task["reminded_at"] == instant(clinic.world.clock())
        assert client.get(f"{RETESTS}/{task['id']}").json == task
    clinic.world.at("2026-11-25T12:00:00+01:00")
    change(clinic, task["id"], "cancel", {"reason": "Seen elsewhere."})
    assert client.get(f"{RETESTS}/{task['id']}").json["reminded_at"] == task["reminded_at"]


def test_pages_follow_each_other_without_gap_or_repeat(clinic: Clinic) -> None:
    for number in range(4):
        held(clinic, f"A{number}", athlete=f"KB-{number}")
    client = clinic.world.client(CLINICIAN)

    for asked, count in (("", 8), ("&status=upcoming", 8), ("&status=due", 0)):
        seen, following = [], f"{RETESTS}?limit=3{asked}"
        while following:
            answer = client.get(following).json
            seen += [one["id"] for one in answer["items"]]
            following = answer["next"]

        assert seen == [one["id"] for one in listed(clinic)][:count]
        assert len(set(seen)) == count


@pytest.mark.parametrize("filters", [{"state": "open"}, {"state": "open", "kind": "retest"}, {"status": "overdue"}])
def test_a_page_is_found_by_an_index(clinic: Clinic, filters: dict[str, str]) -> None:
    held(clinic)
    database, today = clinic.world.context.database, clinic.world.clock().date()
    wanted, after = tasks.Wanted(today=today, **filters), (today, ATHLETE)

    def read(tx: Any) -> str:
        if not database.is_sqlite:
            for way in ("seqscan", "bitmapscan", "sort"):
                tx.exec_driver_sql(f"SET LOCAL enable_{way} = off")
        sent: list[Any] = []
        sa.event.listen(tx, "before_cursor_execute", lambda *told: sent.append(told[2:4]))
        tasks.listed(tx, clinic.world.organisation, wanted, after=after, limit=50)
        [(statement, parameters)] = sent
        explain = "EXPLAIN QUERY PLAN" if database.is_sqlite else "EXPLAIN"
        return "\n".join(str(row[-1]) for row in tx.exec_driver_sql(f"{explain} {statement}", parameters))

    assert "ix_tasks_organisation_id_state_due_on_id" in database.read(read)


def test_a_task_is_put_off(clinic: Clinic) -> None:
    task = held(clinic)["retest"]
    body = {"due_on": "2026-12-01", "reason": "Away with the team."}

    answer = change(clinic, task["id"], "reschedule", body)

    assert (answer.status_code, answer.headers["Location"]) == (201, f"{RETESTS}/{task['id']}")
    assert (answer.json["due_on"], answer.json["state"]) == ("2026-12-01", "open")
    assert clinic.world.client(CLINICIAN).get(answer.headers["Location"]).json == answer.json
    assert [one["due_on"] for one in listed(clinic, kind="retest")] == ["2026-12-01"]
    told = clinic.world.client(CLINICIAN).get(f"/v1/episodes/{answer.json['episode_id']}").json["timeline"]
    assert "Task moved to 2026-12-01." in [one["sentence"] for one in told]


def test_a_task_is_called_off_for_good(clinic: Clinic) -> None:
    task = held(clinic)["retest"]

    answer = change(clinic, task["id"], "cancel", {"reason": "Seen elsewhere."})

    assert (answer.status_code, answer.json["state"], answer.json["closed_because"]) == (201, "closed", "cancelled")
    for what, body in (("cancel", {"reason": "x"}), ("reschedule", {"due_on": "2026-12-01", "reason": "x"})):
        again = change(clinic, task["id"], what, body)
        assert (again.status_code, again.json["code"]) == (409, "task_closed")
    assert check(clinic.world.context, clinic.world.organisation).is_clean


@pytest.mark.parametrize("due_on", ["2026-11-19", "2028-01-01"])
def test_a_date_that_is_past_or_far_away_is_refused(clinic: Clinic, due_on: str) -> None:
    task = held(clinic)["retest"]

    answer = change(clinic, task["id"], "reschedule", {"due_on": due_on, "reason": "x"})

    assert answer.status_code == 422
    assert [(one["pointer"], one["code"]) for one in answer.json["errors"]] == [("#/due_on", "out_of_range")]


def test_today_is_no_past_date(clinic: Clinic) -> None:
    task = held(clinic)["retest"]

    assert change(clinic, task["id"], "reschedule", {"due_on": "2026-11-20", "reason": "x"}).status_code == 201


def test_the_same_request_again_is_done_once(clinic: Clinic) -> None:
    task = held(clinic)["retest"]
    body, headers = {"due_on": "2026-12-01", "reason": "x"}, {"Idempotency-Key": "once"}

    first = change(clinic, task["id"], "reschedule", body, headers=headers)
    again = change(clinic, task["id"], "reschedule", body, headers=headers)

    assert (again.status_code, again.json) == (201, first.json)
    assert again.headers["Idempotency-Replayed"] == "true"
    other = change(clinic, task["id"], "reschedule", body | {"reason": "y"}, headers=headers)
    assert (other.status_code, other.json["code"]) == (422, "key_reused")
    no_key = change(clinic, task["id"], "cancel", {"reason": "x"}, headers={"Idempotency-Key": ""})
    assert (no_key.status_code, no_key.json["code"]) == (400, "idempotency_key_missing")


@pytest.mark.parametrize("role", [SUBMITTER, ADMINISTRATOR])
def test_only_a_clinician_sees_what_is_due(clinic: Clinic, role: str) -> None:
    task = held(clinic)["retest"]
    client = clinic.world.client(role)

    assert client.get(RETESTS).status_code == 403
    assert client.post(f"{RETESTS}/{task['id']}/cancel", {"reason": "x"}).status_code == 403


def test_another_organisations_task_is_not_found(clinic: Clinic, file_database_url: str) -> None:
    task = held(clinic)["retest"]
    client = new_world(file_database_url).client(CLINICIAN)

    assert client.get(RETESTS).json["items"] == []
    assert client.get(f"{RETESTS}/{task['id']}").status_code == 404
    assert client.post(f"{RETESTS}/{task['id']}/cancel", {"reason": "x"}).status_code == 404
    assert client.post(f"{RETESTS}/{uuid4()}/reschedule", {"due_on": "2026-12-01", "reason": "x"}).status_code == 404


def test_days_are_wanted_in_their_order_and_cursors_of_this_list(clinic: Clinic) -> None:
    client = clinic.world.client(CLINICIAN)
    days = client.get(RETESTS, query_string={"due_from": "2026-12-02", "due_to": "2026-12-01"})
    cursor = client.get(RETESTS, query_string={"cursor": cursor_of(("x", "y"), of=f"{RETESTS}?")})

    assert [(one.status_code, one.json["errors"][0]["pointer"]) for one in (days, cursor)] == [
        (400, "?due_to"),
        (400, "?cursor"),
    ]


def again(clinic: Clinic, ref: str, at: str, *measurements: Mapping[str, Any], **changes: Any) -> Any:
    return clinic.post(battery(ref, at, measurements, **changes), athlete="KB-1")


def closed_because(clinic: Clinic, task: Mapping[str, Any]) -> str | None:
    return str(clinic.world.client(CLINICIAN).get(f"{RETESTS}/{task['id']}").json["closed_because"])


def test_a_retest_names_the_tests_to_be_done_again(clinic: Clinic) -> None:
    assert held(clinic)["retest"]["tests"] == ["evertor_strength"]


@pytest.mark.parametrize("tried", ["measured", "unable"])
def test_a_retest_is_done_where_a_test_that_it_waits_for_was_attempted(clinic: Clinic, tried: str) -> None:
    task = held(clinic)["retest"]
    clinic.world.at("2026-11-27T18:00:00+01:00")
    sides = {
        "measured": [measured("evertor_strength", side, 90, 91, 92, pain=0) for side in ("left", "right")],
        "unable": [not_measured("evertor_strength", "left", "unable", "pain")],
    }

    again(clinic, "B", "2026-11-27T16:30:00+01:00", *sides[tried])

    assert closed_because(clinic, task) == "done"


def test_a_retest_is_replaced_where_nothing_that_it_waits_for_was_attempted(clinic: Clinic) -> None:
    task = held(clinic)["retest"]
    clinic.world.at("2026-11-27T18:00:00+01:00")

    after = again(
        clinic, "B", "2026-11-27T16:30:00+01:00", not_measured("evertor_strength", "left", "not_done", "time")
    )

    assert closed_because(clinic, task) == "replaced"
    assert [one["id"] for one in listed(clinic, kind="retest")] == [after["retest"]["id"]]


def test_a_decision_on_what_is_stored_is_no_retest(clinic: Clinic) -> None:
    first = held(clinic)
    clinic.world.at("2026-11-27T18:00:00+01:00")
    address = f"/v1/episodes/{first['episode_id']}/decisions"

    answer = clinic.world.client(CLINICIAN).post(address, {"target_stage": first["target_stage"]})

    assert answer.status_code == 201, answer.text
    assert closed_because(clinic, first["retest"]) == "replaced"
    assert len(listed(clinic, kind="retest")) == 1


def test_the_retest_of_a_decision_that_was_made_void_stays_on_record_as_void(clinic: Clinic) -> None:
    made = held(clinic)
    [task] = listed(clinic, kind="retest")

    voided = clinic.world.client(CLINICIAN).post(f"/v1/entries/{made['id']}/void", {"reason": "another athlete's"})

    assert voided.status_code == 201, voided.text
    found = clinic.world.client(CLINICIAN).get(f"{RETESTS}/{task['id']}")
    assert (found.status_code, found.json["closed_because"]) == (200, "void")
    assert check(clinic.world.context, clinic.world.organisation).is_clean


def test_a_task_that_was_put_off_and_then_closed_keeps_its_date_and_counts_both(clinic: Clinic) -> None:
    task = held(clinic)["retest"]
    change(clinic, task["id"], "reschedule", {"due_on": "2026-12-01", "reason": "Away with the team."})
    clinic.world.at("2026-11-27T18:00:00+01:00")

    again(clinic, "B", "2026-11-27T16:30:00+01:00", not_measured("evertor_strength", "left", "unable", "pain"))

    [closed] = listed(clinic, kind="retest", state="closed")
    assert (closed["due_on"], closed["closed_because"]) == ("2026-12-01", "done")
    assert check(clinic.world.context, clinic.world.organisation).is_clean


def test_the_question_after_a_battery_that_was_corrected_is_asked_once(clinic: Clinic) -> None:
    held(clinic)
    corrected = battery("A", "2026-11-20T16:35:00+01:00", passing_measurements(), supersedes={"ref": "A"})
    clinic.post(corrected, athlete="KB-1")

    assert len(listed(clinic, kind="follow_up")) == 1
