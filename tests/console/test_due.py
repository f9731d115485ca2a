"""The due page: what is due, put off and called off."""

import re

import pytest

from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small, whole
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


def test_a_retest_says_for_which_stage_and_why_with_the_caution_and_leads_to_its_battery(reader, clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))

    html = reader.page("/console/due")

    assert "Retest, Rebuilding" in text_of(html)
    assert held["retest"]["because"][1:] in text_of(html)
    assert held["caution"]["text"] in text_of(html)
    enter = f"/console/episodes/{held['episode_id']}/battery?stage=rebuild&amp;set_id=lateral-ankle-sprain"
    assert enter in html
    assert reader.get(enter.replace("&amp;", "&")).status_code == 200
    assert f"/console/decisions/{held['id']}" in html


def test_a_follow_up_says_of_which_tests_and_leads_to_its_questions(reader, clinic):
    posted = clinic.post_battery(whole("A"))

    html = reader.page("/console/due")

    assert "How the morning was after the tests of Fri 20 Nov 2026." in text_of(html)
    assert f"/console/batteries/{posted['battery_id']}/follow-up" in html


def test_what_is_overdue_comes_first_then_by_date(clinic):
    clinic.post_battery(small("A", session_check=LIMPING))
    other = {"athlete": {"ref": "B", "new": True}, "episode": small()["episode"] | {"ref": "B-1"}}
    clinic.at("2026-12-20T18:00:00+01:00")
    clinic.post_battery(small("B", "2026-12-20T16:30:00+01:00", session_check=LIMPING, **other))

    said = text_of(signed_in(clinic.world).page("/console/due"))

    assert said.index("Overdue (1)") < said.index("KB-1") < said.index("Within a week (1)") < said.index("B : Retest")


@pytest.mark.parametrize("action", ["reschedule", "cancel"])
def test_what_was_typed_stays_in_the_form_that_was_refused(reader, task, action):
    """A key that no page of ours gave is refused."""
    fields = {"idempotency_key": "not-ours", "due_on": "2026-12-15", "reason": "away with the team"}
    response = reader.send(f"/console/tasks/{task['id']}/{action}", fields)

    assert response.status_code == 422
    filled = re.findall(r'id="([a-z_]+)-[0-9a-f-]{36}" name="reason"[^>]*value="away with the team"', response.text)
    assert filled == [action]
    assert "<details open>" in response.text


def test_a_reason_that_is_missing_is_asked_for_in_its_own_form(reader, task):
    response = reader.send(f"/console/tasks/{task['id']}/cancel", {"idempotency_key": key_of(reader)})

    assert response.status_code == 422
    assert f'href="#cancel-{task["id"]}"' in response.text
    assert f'id="cancel-{task["id"]}"' in response.text


def test_a_task_that_was_closed_meanwhile_is_refused(reader, clinic, task):
    """Somebody else was quicker."""
    key = key_of(reader)
    clinic.post(f"/v1/retests/{task['id']}/cancel", {"reason": "moved away"})

    response = reader.send(f"/console/tasks/{task['id']}/cancel", {"idempotency_key": key, "reason": "away"})

    assert response.status_code == 409
    assert "Nothing was stored" in text_of(response.text)
    assert "this task is closed" in text_of(response.text).lower()


def test_a_page_that_nothing_led_to_says_nothing_of_what_was_done(reader):
    assert "on the record under your name" not in reader.page("/console/due?done=whatever")


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


def test_the_page_takes_at_most_six_statements_however_much_is_due(reader, clinic):
    for number in range(20):
        athlete, episode = {"ref": f"N{number}", "new": True}, small()["episode"] | {"ref": f"N{number}-1"}
        clinic.post_battery(small(None, session_check=LIMPING, athlete=athlete, episode=episode))
    reader.page("/console/due")

    with statements(clinic.world) as sent:
        html = reader.page("/console/due")

    assert "(20)" in html
    assert len(sent) <= 6, sent
