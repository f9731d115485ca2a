"""Reminders over weeks of a clock that the test sets: each handed over once, late ones told apart, nothing lost."""

import json
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from threading import Barrier
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa

from schemas.messages import MESSAGES
from service.domain.reminding import DEFAULT, Due, planned
from service.store import reminders
from service.store.database import Database
from service.store.sending_tables import reminder_plans
from service.use_cases import reminding
from service.use_cases.context import ADMINISTRATOR, CLINICIAN
from service.use_cases.reminding import hand_due, plan_missing, replan
from tests.builders import follow_up
from tests.clinic import Clinic, new_clinic, small, whole
from tests.reminders.due import add_mail, add_tasks, add_webhook, held

BERLIN = ZoneInfo("Europe/Berlin")
DAY, HOUR = timedelta(days=1), timedelta(hours=1)
STEPS = ["before:2", "on_day", "overdue:1", "overdue:7"]


@pytest.fixture
def clinic(file_database_url: str) -> Clinic:
    """A clinic with a receiver of what is due, and two people who read mails; nothing is sent."""
    made = new_clinic(file_database_url)
    add_webhook(made, "https://receiver.example.org/rts")
    add_mail(made, CLINICIAN, "kim@example.org")
    add_mail(made, ADMINISTRATOR, "lou@example.org")
    return made


def at_seven(day: date, zone: ZoneInfo = BERLIN) -> datetime:
    return datetime.combine(day, time(7), zone)


def hand(clinic: Clinic, moment: datetime | str) -> None:
    clinic.world.at(moment)
    hand_due(clinic.world.context, has_mail=True)


def told(clinic: Clinic) -> list[tuple[str, str]]:
    """The task and the step of each message, in their order."""
    messages = sorted(clinic.found("messages", type="task.due"), key=lambda one: (one["created_at"], one["id"]))
    bodies = [json.loads(one["document"]) for one in messages]
    assert [MESSAGES["task.due"]().validate(one) for one in bodies] == [{} for _ in bodies]
    data = [one["data"] for one in bodies]
    return [(one["task_id"], one["step"]) for one in data]


def mailed(clinic: Clinic) -> Counter[str]:
    """How many mails each person is sent, by role."""
    of = {caller.actor: role for role, caller in clinic.world.callers.items()}
    return Counter(of[one["actor_id"]] for one in clinic.found("deliveries", channel="email"))


def states(clinic: Clinic, task: str) -> dict[str, str]:
    return {one["step"]: one["state"] for one in clinic.found("reminders", task_id=task)}


def moments(clinic: Clinic, task: str) -> dict[str, datetime]:
    return {one["step"]: one["at"] for one in clinic.found("reminders", task_id=task)}


def put_plan(clinic: Clinic, plan: Mapping[str, Any]) -> None:
    path = "/v1/organisation/reminder-plan"
    tag = clinic.administrator.get(path).headers["ETag"]
    answer = clinic.administrator.put(path, plan, headers={"If-Match": tag})
    assert answer.status_code == 200, answer.text


@pytest.mark.parametrize("start", ["2027-03-20T16:30:00+01:00", "2027-10-23T16:30:00+02:00"])
def test_over_a_whole_course_each_step_is_handed_over_at_its_hour_and_once(clinic, start):
    """Three weeks in looks of an hour; the clock changes in the second one."""
    began = datetime.fromisoformat(start)
    clinic.world.at(began + HOUR)
    task = held(clinic, start, episode={**small()["episode"], "onset_on": (began - 10 * DAY).date().isoformat()})
    window = timedelta(days=task["window_days"])
    expected = planned(Due(task["due_on"], task["due_on"] + window), DEFAULT, BERLIN, began + HOUR)

    for hours in range(2, 24 * 24):
        hand(clinic, began + hours * HOUR)

    handed = clinic.found("reminders", task_id=task["id"], state="handed")
    assert {(one["step"], one["at"]) for one in handed} == set(expected)
    assert len(expected) >= 3
    assert all(timedelta() <= one["settled_at"] - one["at"] < HOUR for one in handed)
    assert all(one["at"].astimezone(BERLIN).hour == 7 for one in handed)
    assert [step for of, step in told(clinic) if of == task["id"]] == [one.step for one in expected]
    assert clinic.found("reminders", state="planned") == []


def test_after_ten_days_of_downtime_the_latest_step_is_handed_over_in_one_mail_a_person(clinic):
    day = date(2026, 11, 25)
    overdue, coming = add_tasks(clinic, 30, day), add_tasks(clinic, 1, day + 9 * DAY)

    hand(clinic, at_seven(day + 8 * DAY) + HOUR)
    hand(clinic, at_seven(day + 8 * DAY) + 2 * HOUR)

    late = {"before:2": "too_late", "on_day": "too_late", "overdue:1": "too_late", "overdue:7": "handed"}
    assert all(states(clinic, one) == late for one in overdue)
    assert states(clinic, coming[0]) == dict.fromkeys(STEPS, "planned") | {"before:2": "handed"}
    assert Counter(told(clinic)) == Counter([(one, "overdue:7") for one in overdue] + [(coming[0], "before:2")])
    assert mailed(clinic) == {CLINICIAN: 1, ADMINISTRATOR: 1}
    by_length = sorted(
        len(json.loads(one["document"])["data"]["tasks"]) for one in clinic.found("messages", type="digest")
    )
    assert by_length == [30, 31], "the administrator hears of what is long overdue only"


def test_after_a_downtime_with_more_than_is_handed_over_at_once_each_task_is_told_of_once(clinic, monkeypatch):
    monkeypatch.setattr(reminding, "MOST_AT_ONCE", 8)
    day = date(2026, 11, 25)
    ids = add_tasks(clinic, 20, day)

    for minutes in range(4):
        hand(clinic, at_seven(day + 8 * DAY) + minutes * HOUR / 60)

    assert Counter(told(clinic)) == Counter((one, "overdue:7") for one in ids)
    assert clinic.found("reminders", state="planned") == []


def test_a_question_that_lapsed_during_a_downtime_is_not_reminded_of(clinic):
    clinic.post_battery(whole("A"))
    asked = clinic.found("tasks", kind="follow_up")
    assert asked, "the battery asks for the morning after"

    hand(clinic, "2026-12-20T12:00:00+01:00")

    for one in asked:
        assert set(states(clinic, one["id"]).values()) <= {"too_late"}
        assert one["id"] not in {task for task, _ in told(clinic)}


def test_a_clock_that_steps_back_and_forth_hands_nothing_over_twice_and_loses_nothing(clinic):
    day = date(2026, 12, 1)
    ids = add_tasks(clinic, 20, day)

    for away in (-3, -2, 0, -10, 0, 2, -1, 0, 1, -300, 2, 0, 8, 1, 3000, -3000, 8):
        hand(clinic, at_seven(day + away * DAY) + HOUR)

    counted = Counter(told(clinic))
    assert set(counted.values()) == {1}
    assert set(counted) == {(one, step) for one in ids for step in ("before:2", "on_day", "overdue:1", "overdue:7")}
    assert clinic.found("reminders", state="planned") == []


def test_another_time_zone_moves_what_is_to_come(clinic):
    day = date(2026, 12, 1)
    [task] = add_tasks(clinic, 1, day)
    hand(clinic, at_seven(day - 2 * DAY))

    change_zone(clinic, "America/New_York")

    new_york = ZoneInfo("America/New_York")
    due = {step: at_seven(day + away * DAY, new_york) for step, away in zip(STEPS[1:], (0, 1, 7), strict=True)}
    assert moments(clinic, task) == {"before:2": at_seven(day - 2 * DAY).astimezone(UTC), **due}
    hand(clinic, at_seven(day) + HOUR)
    assert [step for _, step in told(clinic)] == ["before:2"]
    hand(clinic, due["on_day"])
    assert [step for _, step in told(clinic)] == ["before:2", "on_day"]


def test_a_step_that_is_past_in_another_time_zone_is_owed_and_comes_at_once(clinic):
    day = date(2026, 12, 1)
    [task] = add_tasks(clinic, 1, day)
    hand(clinic, at_seven(day - 2 * DAY))

    clinic.world.at(at_seven(day) - HOUR)
    change_zone(clinic, "Australia/Sydney")
    hand(clinic, at_seven(day) - HOUR)

    assert told(clinic) == [(task, "before:2"), (task, "on_day")]


def change_zone(clinic: Clinic, zone: str) -> None:
    body = {"name": "Invented clinic", "time_zone": zone}
    answer = clinic.administrator.put("/v1/organisation", body)
    assert answer.status_code == 200, answer.text


def test_a_new_plan_while_a_reminder_waits_to_be_handed_over_loses_none(clinic):
    day = date(2026, 12, 1)
    [task] = add_tasks(clinic, 1, day)
    clinic.world.at(at_seven(day) + HOUR)
    world, now = clinic.world, clinic.world.clock()
    plan = {"at": "06:00", "steps": [*DEFAULT["steps"], {"when": "before", "days": 9, "to": ["clinicians"]}]}

    def planned_anew(tx):
        reminders.keep_plan(tx, world.organisation, world.organisation, plan, by=world.administrator.actor, at=now)
        replan(tx, world.organisation, now)

    world.context.database.write(planned_anew)
    hand(clinic, now)

    assert told(clinic) == [(task, "on_day")], "and nobody hears of a step that was past when it was thought of"
    assert moments(clinic, task)["overdue:1"] == datetime.combine(day + DAY, time(6), BERLIN)


def test_a_step_that_names_only_who_is_gone_goes_to_the_clinicians(clinic):
    gone = clinic.world.callers[ADMINISTRATOR].actor
    task = held(clinic)
    put_plan(clinic, {"at": "07:00", "steps": [{"when": "on_day", "to": [gone]}]})

    clinic.update("actors", {"disabled_at": clinic.world.clock()}, id=gone)
    hand(clinic, at_seven(task["due_on"]))

    assert mailed(clinic) == {CLINICIAN: 1}


def test_a_second_mail_on_a_day_is_only_about_what_nobody_knew_at_the_hour_of_the_first(clinic):
    day = date(2026, 12, 1)
    [early] = add_tasks(clinic, 1, day)
    hand(clinic, at_seven(day))
    clinic.world.at(at_seven(day) + 3 * HOUR)
    put_plan(clinic, {**DEFAULT, "at": "15:00"})
    [late] = add_tasks(clinic, 1, day)

    hand(clinic, at_seven(day) + 7 * HOUR)
    assert mailed(clinic) == {CLINICIAN: 1}
    hand(clinic, at_seven(day) + 8 * HOUR)

    assert mailed(clinic) == {CLINICIAN: 2}
    assert told(clinic) == [(early, "on_day"), (late, "on_day")]


def test_a_task_that_is_put_off_and_back_is_reminded_of_once_on_its_day(clinic):
    task = held(clinic)
    day = task["due_on"]
    clinic.world.at(at_seven(day - DAY))
    for due_on in (day + 5 * DAY, day):
        body = {"due_on": due_on.isoformat(), "reason": "away"}
        clinic.post(f"/v1/retests/{task['id']}/reschedule", body)

    for hours in range(48):
        hand(clinic, at_seven(day - DAY) + hours * HOUR)

    assert told(clinic) == [(task["id"], "on_day")]


def test_a_task_that_is_put_off_after_it_was_due_is_due_anew(clinic):
    task = held(clinic)
    day = task["due_on"]
    hand(clinic, at_seven(day))

    body = {"due_on": (day + 10 * DAY).isoformat(), "reason": "away"}
    clinic.post(f"/v1/retests/{task['id']}/reschedule", body)
    hand(clinic, at_seven(day + 8 * DAY))
    hand(clinic, at_seven(day + 10 * DAY))

    assert [step for of, step in told(clinic) if of == task["id"]] == ["on_day", "before:2", "on_day"]


@pytest.mark.parametrize("ends", ["cancelled", "episode_closed", "replaced"])
def test_what_is_closed_is_not_reminded_of(clinic, ends):
    task = held(clinic)
    if ends == "cancelled":
        clinic.post(f"/v1/retests/{task['id']}/cancel", {"reason": "moved away"})
    elif ends == "episode_closed":
        closing = {"kind": "closed", "on": "2026-11-21", "cause": "moved away"}
        clinic.at("2026-11-21T09:00:00+01:00").post(f"/v1/episodes/{task['episode_id']}/events", closing)
    else:
        clinic.post_battery(small("B", "2026-11-20T17:30:00+01:00"))

    for away in range(40):
        hand(clinic, at_seven(task["due_on"] + away * DAY))

    assert clinic.row("tasks", id=task["id"])["closed_because"] == ends
    assert task["id"] not in {of for of, _ in told(clinic)}
    assert clinic.found("reminders", task_id=task["id"], state="planned") == []


def test_an_answered_question_is_not_reminded_of(clinic):
    clinic.post_battery(whole("A"))
    [asked] = clinic.found("tasks", kind="follow_up")
    clinic.at("2026-11-21T06:00:00+01:00")
    clinic.post_battery(follow_up("A", at="2026-11-21T05:30:00+01:00")["battery"] | {"athlete": {"ref": "KB-1"}})

    hand(clinic, "2026-11-21T12:00:00+01:00")

    assert asked["id"] not in {of for of, _ in told(clinic)}


PROCESSES, MANY = 4, 200


def test_processes_that_look_at_once_hand_each_over_once(clinic):
    day = date(2026, 12, 1)
    ids = add_tasks(clinic, MANY, day)
    clinic.world.at(at_seven(day) + HOUR)
    contexts = [replace(clinic.world.context, database=Database(clinic.world.url)) for _ in range(PROCESSES)]
    together = Barrier(PROCESSES)

    def look(number: int) -> None:
        together.wait()
        plan_missing(contexts[number])
        hand_due(contexts[number], has_mail=True)

    with ThreadPoolExecutor(PROCESSES) as pool:
        list(pool.map(look, range(PROCESSES)))
    for one in contexts:
        one.database.close()

    assert Counter(told(clinic)) == Counter((one, "on_day") for one in ids)
    assert mailed(clinic) == {CLINICIAN: 1}
    assert len(clinic.found("deliveries", channel="webhook")) == MANY


def test_a_fault_in_one_organisation_keeps_no_other_waiting(
    clinic: Clinic, file_database_url: str, caplog: pytest.LogCaptureFixture
) -> None:
    other = new_clinic(file_database_url)
    add_webhook(other, "https://receiver.example.org/rts")
    task, unread = held(clinic), held(other)
    database, of = clinic.world.context.database, other.world.organisation
    plan = {"organisation_id": of, "of_id": of, "document": "no JSON", "revision": 1}
    plan |= {"edited_by": other.world.callers[ADMINISTRATOR].actor, "edited_at": clinic.world.clock()}
    database.write(lambda tx: tx.execute(sa.insert(reminder_plans), plan))
    add_mail(other, CLINICIAN, "kim@example.org")

    hand(clinic, at_seven(task["due_on"]))

    assert (task["id"], "on_day") in told(clinic)
    assert told(other) == []
    assert of in caplog.text
    database.write(lambda tx: tx.execute(sa.delete(reminder_plans).where(reminder_plans.c.of_id == of)))
    hand(clinic, at_seven(task["due_on"]))
    assert (unread["id"], "on_day") in told(other)


def test_nobody_is_reminded_of_who_was_erased(clinic: Clinic) -> None:
    task = held(clinic)
    address = f"/v1/athletes/{task['athlete_id']}/erasure"
    answer = clinic.administrator.post(address, {"scope": "default", "reason": "asked for"})
    assert answer.status_code == 201, answer.text

    hand(clinic, at_seven(task["due_on"]))

    assert told(clinic) == []
    assert mailed(clinic) == Counter()
