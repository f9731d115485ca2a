"""Criteria are looked at again once a year: asked for, ended by the next version, told to administrators."""

import pytest

from service.use_cases.context import ADMINISTRATOR
from service.use_cases.criteria_reviews import follow_everywhere
from service.use_cases.reminding import hand_due, plan_missing
from tests.clinic import created
from tests.tiny_set import own
from tests.world import new_world

REVIEWS = "/v1/criteria-reviews"
SET = "own-sprain"


@pytest.fixture
def world(file_database_url):
    return new_world(file_database_url, at="2026-11-20T18:00:00+01:00")


def publish(world, *, version=1, begins="2026-11-20"):
    text = own(SET, **({} if version == 1 else {"version: 1": f"version: {version}"}))
    admin = world.client(ADMINISTRATOR)
    created(admin.post("/v1/criteria-drafts", {"source": text.source, "examples": text.examples}))
    created(admin.post(f"/v1/criteria-drafts/{SET}/{version}/publish", {"in_force_from": begins}))


def reviews(world):
    answer = world.client(ADMINISTRATOR).get(REVIEWS)
    assert answer.status_code == 200, answer.text
    return answer.json["items"]


def told(world):
    return [(one["version"], one["due_on"], one["status"], one["closed_because"]) for one in reviews(world)]


def change(world, what, body, **more):
    [id_] = [one["id"] for one in reviews(world) if one["state"] == "open"]
    return world.client(ADMINISTRATOR).post(f"{REVIEWS}/{id_}/{what}", body, **more)


@pytest.mark.parametrize(
    ("begins", "due_on"),
    [("2026-11-20", "2027-11-20"), ("2020-01-01", "2027-11-20"), ("2028-02-29", "2029-02-28")],
)
def test_a_version_is_reviewed_a_year_after_it_came_into_force_here(world, begins, due_on):
    publish(world, begins=begins)

    assert told(world) == [(1, due_on, "upcoming", None)]


def test_the_next_version_ends_the_review_of_the_one_before(world):
    publish(world)
    publish(world, version=2, begins="2027-03-01")

    assert told(world) == [(1, "2027-11-20", "closed", "replaced"), (2, "2028-03-01", "upcoming", None)]


def test_a_set_that_is_retired_is_reviewed_no_more(world):
    publish(world)
    body = {"retired_from": "2027-01-01", "reason": "No longer used."}
    created(world.client(ADMINISTRATOR).post(f"/v1/criteria-sets/{SET}/versions/1/retire", body))

    assert told(world) == [(1, "2027-11-20", "closed", "replaced")]


def test_once_a_review_is_done_the_next_is_due_a_year_later(world):
    publish(world)
    world.at("2027-12-01T09:00:00+01:00")
    assert told(world) == [(1, "2027-11-20", "due", None)]

    answer = change(world, "done", {"note": "Nothing published since changes a threshold."})

    assert (answer.status_code, answer.json["closed_because"]) == (201, "done")
    assert told(world) == [(1, "2027-11-20", "closed", "done"), (1, "2028-12-01", "upcoming", None)]
    last = world.client(ADMINISTRATOR).get("/v1/audit?action=done_criteria_review").json["items"][0]
    assert last["detail"] == f"{SET}/1: Nothing published since changes a threshold."


def test_a_review_done_long_before_its_day_is_followed_by_one(world):
    publish(world)
    change(world, "reschedule", {"due_on": "2027-11-21", "reason": "After the congress."})

    answer = change(world, "done", {"note": "Nothing published since changes a threshold."})
    follow_everywhere(world.context)
    follow_everywhere(world.context)

    assert answer.status_code == 201
    assert told(world) == [(1, "2027-11-20", "upcoming", None), (1, "2027-11-21", "closed", "done")]


def test_a_review_comes_back_with_the_version_that_comes_back(world):
    publish(world)
    publish(world, version=2, begins="2027-03-01")
    body = {"retired_from": "2027-03-01", "reason": "Published in error."}
    created(world.client(ADMINISTRATOR).post(f"/v1/criteria-sets/{SET}/versions/2/retire", body))

    assert [one for one in told(world) if one[2] != "closed"] == [(1, "2027-11-20", "upcoming", None)]


def test_a_review_that_was_called_off_does_not_come_back(world):
    publish(world)
    assert change(world, "cancel", {"reason": "No longer used."}).status_code == 201
    follow_everywhere(world.context)

    assert told(world) == [(1, "2027-11-20", "closed", "cancelled")]


def test_a_review_is_put_off_and_the_same_request_again_is_done_once(world):
    publish(world)
    body, headers = {"due_on": "2027-05-01", "reason": "After the congress."}, {"Idempotency-Key": "once"}

    first = change(world, "reschedule", body, headers=headers)
    again = change(world, "reschedule", body, headers=headers)

    assert (first.status_code, again.headers["Idempotency-Replayed"]) == (201, "true")
    assert told(world) == [(1, "2027-05-01", "upcoming", None)]


@pytest.mark.parametrize("due_on", ["2026-11-19", "2027-11-22"])
def test_a_date_that_is_past_or_far_away_is_refused(world, due_on):
    publish(world)
    answer = change(world, "reschedule", {"due_on": due_on, "reason": "x"})

    assert answer.status_code == 422
    assert [(one["pointer"], one["code"]) for one in answer.json["errors"]] == [("#/due_on", "out_of_range")]
    assert told(world) == [(1, "2027-11-20", "upcoming", None)]


def test_a_closed_review_is_not_changed(world):
    publish(world)
    [review] = reviews(world)
    change(world, "cancel", {"reason": "x"})

    again = world.client(ADMINISTRATOR).post(f"{REVIEWS}/{review['id']}/done", {"note": "x"})

    assert (again.status_code, again.json["code"]) == (409, "task_closed")


def test_administrators_are_reminded_of_it_and_webhooks_told_where_it_is(world):
    publish(world)
    admin = world.client(ADMINISTRATOR)
    created(admin.post("/v1/webhooks", {"url": "https://receiver.invalid/x", "events": ["task.due"]}))
    world.at("2027-11-20T08:00:00+01:00")
    plan_missing(world.context)

    hand_due(world.context, has_mail=False)

    [sent] = admin.get("/v1/deliveries").json["items"]
    data = admin.get(f"/v1/deliveries/{sent['id']}").json["body"]["data"]
    [review] = reviews(world)
    assert (data["kind"], data["athlete_id"]) == ("criteria_review", None)
    assert data["href"] == f"{REVIEWS}/{review['id']}"
    assert admin.get(data["href"]).json == review
