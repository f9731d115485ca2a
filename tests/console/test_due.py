"""The due page: what is due, found by kind and status, rescheduled, cancelled and done for several at once."""

import re

import pytest

from service.console.words import day
from tests.api.test_signing import override, sign_offs
from tests.api.test_tasks import returned
from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small, whole
from tests.console.signed_in import signed_in, text_of
from tests.console.statements import statements

DUE = "/console/due"
LIMPING = SESSION_CHECK | {"limp": True}


@pytest.fixture
def clinic(database_url):
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def task(clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))
    [row] = clinic.found("tasks", kind="retest")
    assert row["decision_id"] == held["id"]
    return row


def sent(reader, what, *ids, **fields):
    """The form of the page with these tasks ticked."""
    found = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', reader.page(DUE))
    assert found is not None
    return sent_anyway(what, *ids, **fields) | {"idempotency_key": found.group(1)}


def sent_anyway(what, *ids, **fields):
    """What a form would send that no page gave."""
    return {"what": what, "task": list(ids), "idempotency_key": "0" * 32, **fields}


def retests(clinic, count):
    """The ids of retests of as many athletes, N0 first."""
    for number in range(count):
        athlete, episode = {"ref": f"N{number}", "new": True}, small()["episode"] | {"ref": f"N{number}-1"}
        clinic.post_battery(small(None, session_check=LIMPING, athlete=athlete, episode=episode))
    of = {row["ref"]: row["id"] for row in clinic.found("athletes")}
    return [clinic.row("tasks", kind="retest", athlete_id=of[f"N{number}"])["id"] for number in range(count)]


def names(html):
    """The athletes of the tasks on a page, as they are ticked."""
    return re.findall(r'form="several"[^>]*><span class="unseen">([^,]+),', html)


def test_where_nothing_is_due_the_page_says_so(reader):
    assert "Nothing is due" in text_of(reader.page("/console/due"))


@pytest.mark.usefixtures("task")
def test_what_is_due_stands_there_and_becomes_overdue(reader, clinic):
    assert "Retest" in text_of(reader.page("/console/due"))
    clinic.at("2027-06-01T12:00:00+01:00")

    assert "Overdue (1)" in text_of(signed_in(clinic.world).page("/console/due"))


def test_a_task_is_rescheduled_with_a_reason_once(reader, clinic, task):
    fields = sent(reader, "reschedule", task["id"], due_on="2026-12-15", reason="away with the team")

    where = reader.done(DUE, fields)
    reader.done(DUE, fields)

    assert "1 task was rescheduled." in text_of(reader.page(where))
    assert str(clinic.row("tasks", id=task["id"])["due_on"]) == "2026-12-15"
    assert len(clinic.found("record_entries", kind="event")) == 1


def test_several_tasks_are_cancelled_at_once_each_with_the_reason(reader, clinic):
    ids = retests(clinic, 3)

    where = reader.done(DUE, sent(reader, "cancel", *ids, reason="the season is over"))

    assert "3 tasks were cancelled. It is on the record under your name." in text_of(reader.page(where))
    assert {row["closed_because"] for row in clinic.found("tasks", kind="retest")} == {"cancelled"}
    assert len(clinic.found("record_entries", kind="event")) == 3
    assert "Nothing is due" in text_of(reader.page(DUE))


def test_what_was_closed_meanwhile_is_told_by_name_and_the_others_are_done(reader, clinic):
    ids = retests(clinic, 3)
    fields = sent(reader, "reschedule", *ids, due_on="2026-12-15", reason="away with the team")
    clinic.post(f"/v1/retests/{ids[1]}/cancel", {"reason": "moved away"})

    response = reader.send(DUE, fields)

    said = text_of(response.text)
    assert response.status_code == 409
    assert "2 tasks were rescheduled." in said
    assert "1 of the ticked tasks could not be changed" in said
    assert f"N1, retest of {day(clinic.row('tasks', id=ids[1])['due_on'])}: this task is closed (cancelled)" in said
    assert [str(clinic.row("tasks", id=one)["due_on"]) for one in (ids[0], ids[2])] == ["2026-12-15"] * 2


def test_only_a_check_in_is_said_to_be_done_and_what_can_not_be_stays_ticked(reader, clinic, task):
    response = reader.send(DUE, sent(reader, "done", task["id"], reason="looked well"))

    assert response.status_code == 409
    assert "KB-1, retest of" in text_of(response.text)
    assert "only a check-in is said to be done" in text_of(response.text)
    assert re.search(rf'value="{task["id"]}" form="several" checked', response.text)
    assert clinic.row("tasks", id=task["id"])["state"] == "open"


def test_a_check_in_is_answered_with_a_battery_from_here(reader, clinic):
    made, _ = returned(clinic)
    html = reader.page(f"{DUE}?kind=check_in")

    assert html.count(f'href="/console/episodes/{made["episode_id"]}/battery') == 3


def test_a_check_in_is_done_with_how_it_went(reader, clinic):
    _, check_ins = returned(clinic)
    first = check_ins[0]["id"]

    reader.done(DUE, sent(reader, "done", first, reason="plays, no pain"))

    assert clinic.row("tasks", id=first)["closed_because"] == "done"


def test_a_review_of_an_override_has_no_tick(reader, clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))
    clinic.post(sign_offs(held), override(held))
    review = clinic.row("tasks", kind="override_review")["id"]

    html = reader.page(DUE)

    assert "Override review" in text_of(html)
    assert review not in html
    response = reader.send(DUE, sent_anyway("cancel", review, reason="not needed"))
    assert response.status_code == 409
    assert "neither rescheduled nor cancelled" in text_of(response.text)


def test_tasks_are_found_by_kind_and_status_and_the_reader_stays_there(reader, clinic):
    clinic.post_battery(whole("A"))
    [retest] = retests(clinic, 1)
    kinds = {
        "?kind=retest": ["N0"],
        "?kind=follow_up": ["KB-1"],
        "?status=overdue": [],
        "?status=upcoming": ["N0", "KB-1"],
    }

    for asked, athletes in kinds.items():
        assert sorted(names(reader.page(DUE + asked))) == sorted(athletes)
    assert "Nothing that is due fits" in text_of(reader.page(f"{DUE}?status=overdue"))
    html = reader.page(f"{DUE}?kind=retest")
    assert 'action="/console/due?kind=retest"' in html
    fields = sent(reader, "cancel", retest, reason="moved away")
    assert "kind=retest" in reader.done(f"{DUE}?kind=retest", fields)


@pytest.mark.parametrize(
    ("asked", "told"),
    [("kind=party", "there is no kind “party”"), ("status=closed", "there is no status “closed”"), ("x=1", "no “x”")],
)
def test_what_an_address_asks_in_vain_is_told(reader, asked, told):
    response = reader.get(f"{DUE}?{asked}")

    assert response.status_code == 400
    assert told in text_of(response.text)


@pytest.mark.usefixtures("task")
def test_the_last_reminder_of_a_task_is_told(reader, clinic):
    assert "Last reminder" not in text_of(reader.page(DUE))
    at = clinic.world.clock.now
    clinic.update("reminders", {"state": "handed", "settled_at": at}, id=clinic.found("reminders")[0]["id"])

    assert "Last reminder: Fri 20 Nov 2026, 18:00" in text_of(reader.page(DUE))


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


def test_a_form_that_no_page_of_ours_gave_is_refused_and_what_was_typed_stays(reader, clinic, task):
    fields = sent_anyway("reschedule", task["id"], due_on="2026-12-15", reason="away with the team")

    response = reader.send(DUE, fields | {"idempotency_key": "not-ours"})

    assert response.status_code == 422
    assert re.search(r'name="due_on"[^>]*value="2026-12-15"', response.text)
    assert re.search(r'name="reason"[^>]*value="away with the team"', response.text)
    assert re.search(rf'value="{task["id"]}" form="several" checked', response.text)
    assert clinic.row("tasks", id=task["id"])["due_on"] == task["due_on"]


def test_a_page_that_nothing_led_to_says_nothing_of_what_was_done(reader):
    assert "on the record under your name" not in reader.page("/console/due?done=whatever")


@pytest.mark.parametrize(
    ("typed", "field", "told"),
    [
        ({"what": "reschedule", "due_on": "soon", "reason": "x"}, "due_on", "Date: "),
        ({"what": "reschedule", "due_on": "2026-12-15"}, "reason", "Reason: this field is required"),
        ({"what": "cancel"}, "reason", "Reason: this field is required"),
        ({"what": "done"}, "reason", "Reason: this field is required"),
        ({"what": "", "reason": "x"}, "what", "Choose what to do"),
        ({"what": "erase", "reason": "x"}, "what", "Choose what to do"),
    ],
)
def test_what_was_not_typed_is_asked_for_at_its_field_and_nothing_is_done(reader, clinic, typed, field, told):
    [task] = retests(clinic, 1)

    response = reader.send(DUE, sent(reader, typed["what"], task) | typed)

    assert response.status_code == 422
    assert "Nothing was stored" in text_of(response.text)
    assert told in text_of(response.text)
    assert f'href="#{field}"' in response.text
    assert f'id="{field}-wrong"' in response.text
    assert '<details class="several told" open>' in response.text
    assert clinic.found("record_entries", kind="event") == []


@pytest.mark.usefixtures("task")
def test_where_nothing_is_ticked_that_is_asked_for(reader):
    response = reader.send(DUE, sent(reader, "cancel", reason="x"))

    assert response.status_code == 422
    assert 'href="#list"' in response.text
    assert "Tick the tasks that are meant" in text_of(response.text)


def test_a_date_that_is_past_is_told_of_each_task(reader, clinic, task):
    response = reader.send(DUE, sent(reader, "reschedule", task["id"], due_on="2020-01-01", reason="earlier"))

    assert response.status_code == 409
    assert "KB-1, retest of" in text_of(response.text)
    assert "a date from Fri 20 Nov 2026 to Sun 21 Nov 2027 is wanted" in text_of(response.text)
    assert clinic.row("tasks", id=task["id"])["due_on"] == task["due_on"]


def test_a_task_of_another_organisation_is_gone_for_this_one(reader, clinic, task, database_url):
    [other] = retests(new_clinic(database_url), 1)

    response = reader.send(DUE, sent(reader, "cancel", task["id"], other, reason="moved away"))

    assert response.status_code == 409
    assert "A task that is gone" in text_of(response.text)
    assert clinic.row("tasks", id=task["id"])["state"] == "closed"


def test_the_page_takes_at_most_six_statements_however_much_is_due(reader, clinic):
    retests(clinic, 20)
    reader.page("/console/due")

    with statements(clinic.world) as sent:
        html = reader.page("/console/due")

    assert "(20)" in html
    assert len(sent) <= 6, sent
