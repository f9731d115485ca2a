"""Criteria reviews among the settings: rescheduled, cancelled and done as tasks are."""

import re

import pytest

from service.use_cases.criteria_reviews import follow_everywhere
from tests.clinic import Clinic, new_clinic
from tests.console.signed_in import Reader, text_of
from tests.console.statements import statements

PATH = "/console/settings/reviews"


@pytest.fixture
def clinic(file_database_url: str) -> Clinic:
    made = new_clinic(file_database_url)
    follow_everywhere(made.world.context)
    return made


def sent(admin: Reader, what: str, **fields: str) -> dict[str, str]:
    """The form of the page with the one open review ticked."""
    html = admin.page(PATH)
    key = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', html)
    task = re.search(r'name="task" value="([^"]+)"', html)
    assert key
    assert task
    return {"idempotency_key": key.group(1), "task": task.group(1), "what": what, **fields}


def told(clinic: Clinic) -> list[tuple[str, str | None]]:
    items = clinic.administrator.get("/v1/criteria-reviews").json["items"]
    return [(one["due_on"], one["closed_because"]) for one in items]


def test_a_review_that_is_to_come_stands_there(admin):
    assert "Lateral ankle sprain, version 1 Sat 20 Nov 2027 to Sat 18 Dec 2027" in text_of(admin.page(PATH))


def test_a_review_that_is_cancelled_is_over(clinic, admin):
    admin.done(PATH, sent(admin, "cancel", reason="The set is no longer used."))

    said = text_of(admin.page(PATH))
    assert "No review is to come" in said
    assert "version 1, due Sat 20 Nov 2027: cancelled" in said
    assert told(clinic) == [("2027-11-20", "cancelled")]


def test_a_review_is_done_once_and_the_next_is_due_a_year_later(clinic, admin):
    fields = sent(admin, "done", reason="Nothing published since changes a threshold.")

    where = admin.done(PATH, fields)
    admin.done(PATH, fields)

    assert "1 task was done. It is noted under your name." in text_of(admin.page(where))
    assert [because for _, because in told(clinic)] == ["done", None]


def test_a_review_is_rescheduled(clinic, admin):
    admin.done(PATH, sent(admin, "reschedule", due_on="2027-10-01", reason="Before the congress."))

    assert told(clinic) == [("2027-10-01", None)]


def test_a_review_that_was_closed_meanwhile_is_told_by_name(clinic, admin):
    mine = sent(admin, "reschedule", due_on="2027-10-01", reason="Before the congress.")
    admin.done(PATH, sent(admin, "cancel", reason="The set is no longer used."))

    response = admin.send(PATH, mine)

    assert response.status_code == 409
    assert "Lateral ankle sprain, version 1: this review is closed (cancelled)" in text_of(response.text)
    assert told(clinic) == [("2027-11-20", "cancelled")]


def test_a_reason_that_is_missing_is_asked_for_at_its_field(clinic, admin):
    response = admin.send(PATH, sent(admin, "cancel"))

    assert response.status_code == 422
    assert "Reason: this field is required" in text_of(response.text)
    assert 'id="reason-wrong"' in response.text
    assert told(clinic) == [("2027-11-20", None)]


def test_the_page_takes_at_most_six_statements(clinic, admin):
    admin.page(PATH)
    with statements(clinic.world) as seen:
        admin.page(PATH)

    assert len(seen) <= 6, seen
