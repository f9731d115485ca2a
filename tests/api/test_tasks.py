"""Outcomes of referrals and check-ins after a return: when they are due, and what closes them."""

import pytest

from tests.builders import referral_answers
from tests.clinic import new_clinic, small, whole

FINDING = "cannot_take_four_steps"
CALF = "calf_squeeze_still_or_gap"
RETURNED = {"stage": "competition", "participation": "competition"}


@pytest.fixture
def clinic(database_url):
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


def raised(clinic, finding=CALF):
    return clinic.post_battery(small("A", referral={**referral_answers(), finding: True}))


def status_of(clinic, task):
    answer = clinic.clinician.get(f"/v1/retests/{task['id']}")
    assert answer.status_code == 200, answer.text
    return answer.json["status"]


def returned(clinic, until="2027-06-30"):
    """An athlete whom somebody put back into competition, on 2026-11-20; the check-ins."""
    posted = clinic.post_battery(small("A"))
    override_body = {"position": RETURNED, "valid_until": until, "rationale": "invented"}
    clinic.post(f"/v1/episodes/{posted['episode_id']}/sign-offs", override_body)
    return posted, sorted(clinic.found("tasks", kind="check_in"), key=lambda one: one["due_on"])


def test_the_outcome_of_a_referral_is_due_two_days_after_the_finding_and_done_once_it_is_resolved(clinic):
    posted = raised(clinic)
    task = clinic.row("tasks", kind="referral_outcome")
    assert (str(task["due_on"]), task["window_days"], task["about"]) == ("2026-11-22", 2, CALF)
    assert task["battery_id"] == posted["battery_id"]

    body = {"as": "ruled_out", "rationale": "seen by the physician"}
    clinic.post(f"/v1/episodes/{posted['episode_id']}/findings/{CALF}/resolution", body)

    after = clinic.row("tasks", kind="referral_outcome")
    assert (after["state"], after["closed_because"]) == ("closed", "done")


def test_a_confirmed_finding_still_awaits_its_outcome(clinic):
    posted = raised(clinic)

    body = {"as": "confirmed", "rationale": "a tear"}
    clinic.post(f"/v1/episodes/{posted['episode_id']}/findings/{CALF}/resolution", body)

    assert clinic.row("tasks", kind="referral_outcome")["state"] == "open"


def test_a_task_is_upcoming_then_due_then_overdue(clinic):
    raised(clinic)
    task = clinic.row("tasks", kind="referral_outcome")

    assert status_of(clinic, task) == "upcoming"
    assert status_of(clinic.at("2026-11-22T00:00:00+01:00"), task) == "due"
    assert status_of(clinic.at("2026-11-24T23:59:00+01:00"), task) == "due"
    assert status_of(clinic.at("2026-11-25T00:00:00+01:00"), task) == "overdue"


def test_a_question_that_can_not_be_answered_any_more_is_due_no_longer(clinic):
    clinic.post_battery(whole("A"))
    asked = clinic.found("tasks", kind="follow_up")
    assert asked
    for task in asked:
        clinic.at("2026-12-20T12:00:00+01:00")
        assert status_of(clinic, task) == "lapsed"
        listed = clinic.clinician.get("/v1/retests").json["items"]
        assert task["id"] not in [one["id"] for one in listed]


def test_after_a_return_there_are_check_ins_at_two_six_and_twelve_weeks(clinic):
    _, check_ins = returned(clinic)

    assert [(one["about"], str(one["due_on"]), one["window_days"]) for one in check_ins] == [
        ("2_weeks", "2026-12-04", 7),
        ("6_weeks", "2027-01-01", 7),
        ("12_weeks", "2027-02-12", 7),
    ]


def test_a_check_in_is_done_by_a_battery_near_its_day_and_the_next_one_stays(clinic):
    posted, _ = returned(clinic)
    clinic.at("2026-12-03T18:00:00+01:00")

    clinic.post_battery(small("B", "2026-12-03T16:30:00+01:00", target_stage=None))

    states = {one["about"]: (one["state"], one["closed_because"]) for one in clinic.found("tasks", kind="check_in")}
    assert states == {"2_weeks": ("closed", "done"), "6_weeks": ("open", None), "12_weeks": ("open", None)}
    assert posted["episode_id"]


def test_a_check_in_is_said_to_be_done_with_a_note(clinic):
    _, [first, *_] = returned(clinic)

    done = clinic.post(f"/v1/retests/{first['id']}/done", {"note": "plays without pain"})

    assert (done["status"], done["closed_because"]) == ("closed", "done")
    again = clinic.refused(f"/v1/retests/{first['id']}/done", {"note": "again"})
    assert (again.status_code, again.json["code"]) == (409, "task_closed")


def test_no_other_task_is_said_to_be_done(clinic):
    raised(clinic)
    task = clinic.row("tasks", kind="referral_outcome")

    refused = clinic.refused(f"/v1/retests/{task['id']}/done", {"note": "surely"})

    assert (refused.status_code, refused.json["code"]) == (409, "closes_by_itself")


def test_a_setback_ends_the_check_ins(clinic):
    posted, _ = returned(clinic)
    clinic.at("2026-11-25T18:00:00+01:00")

    clinic.post(f"/v1/episodes/{posted['episode_id']}/events", {"kind": "setback", "on": "2026-11-24"})

    assert {one["closed_because"] for one in clinic.found("tasks", kind="check_in")} == {"replaced"}


def test_who_is_sent_back_needs_no_check_in(clinic):
    posted, _ = returned(clinic)

    lower = {"position": {"stage": "rebuild", "participation": "modified_training"}, "valid_until": "2027-01-01"}
    clinic.post(f"/v1/episodes/{posted['episode_id']}/sign-offs", {**lower, "rationale": "sore"})

    assert {one["closed_because"] for one in clinic.found("tasks", kind="check_in")} == {"replaced"}
