"""The due page: what is due, put off and called off."""

import re

import pytest

from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small
from tests.console.signed_in import signed_in, text_of
from tests.console.statements import statements

LIMPING = SESSION_CHECK | {"limp": True}


@pytest.fixture
def clinic(database_url):
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def reader(clinic):
    return signed_in(clinic.world)


@pytest.fixture
def task(clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))
    [row] = clinic.found("tasks", kind="retest")
    assert row["decision_id"] == held["id"]
    return row


def key_of(reader):
    found = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', reader.page("/console/due"))
    assert found is not None
    return found.group(1)


def test_where_nothing_is_due_the_page_says_so(reader):
    assert "Nothing is due" in text_of(reader.page("/console/due"))


@pytest.mark.usefixtures("task")
def test_what_is_due_stands_there_and_becomes_overdue(reader, clinic):
    assert "Retest" in text_of(reader.page("/console/due"))
    clinic.at("2027-06-01T12:00:00+01:00")

    assert "Overdue (1)" in text_of(signed_in(clinic.world).page("/console/due"))


def test_a_task_is_put_off_with_a_reason_once(reader, clinic, task):
    fields = {"idempotency_key": key_of(reader), "due_on": "2026-12-15", "reason": "away with the team"}

    reader.done(f"/console/tasks/{task['id']}/reschedule", fields)
    reader.done(f"/console/tasks/{task['id']}/reschedule", fields)

    assert str(clinic.row("tasks", id=task["id"])["due_on"]) == "2026-12-15"
    assert len(clinic.found("record_entries", kind="event")) == 1


def test_a_task_is_called_off_with_a_reason(reader, clinic, task):
    reader.done(f"/console/tasks/{task['id']}/cancel", {"idempotency_key": key_of(reader), "reason": "moved away"})

    assert clinic.row("tasks", id=task["id"])["state"] == "closed"
    assert "Nothing is due" in text_of(reader.page("/console/due"))


@pytest.mark.parametrize(
    "fields",
    [{"due_on": "2020-01-01", "reason": "earlier"}, {"due_on": "soon", "reason": "x"}, {"due_on": "2026-12-15"}],
)
def test_what_can_not_be_done_is_refused_and_shown_again(reader, clinic, task, fields):
    response = reader.send(f"/console/tasks/{task['id']}/reschedule", {"idempotency_key": key_of(reader), **fields})

    assert response.status_code == 422
    assert "Nothing was stored" in response.text
    assert f'id="due_on-{task["id"]}"' in response.text
    assert clinic.row("tasks", id=task["id"])["due_on"] == task["due_on"]


@pytest.mark.usefixtures("task")
def test_the_page_takes_at_most_six_statements(reader, clinic):
    with statements(clinic.world) as sent:
        reader.page("/console/due")

    assert len(sent) <= 6, sent
