"""Reminder plans over HTTP: the default one, the organisation's, an episode's own; what is planned follows them."""

from datetime import date
from typing import Any

import pytest

from service.domain.reminding import DEFAULT
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, PERSON, SUBMITTER
from service.use_cases.reminding import hand_due
from tests.api.problem import assert_problem
from tests.clinic import ATHLETE, EPISODE, Clinic, created, new_clinic
from tests.reminders.due import add_mail, add_webhook, held

PATH = "/v1/organisation/reminder-plan"
ON_DAY = {"when": "on_day", "to": ["clinicians"]}
PLAN = {"at": "09:30", "steps": [ON_DAY, {"when": "overdue", "days": 3, "to": ["administrators"]}]}


@pytest.fixture
def clinic(file_database_url: str) -> Clinic:
    return new_clinic(file_database_url)


def own(clinic: Clinic) -> str:
    """The address of the plan of an episode that has a retest open."""
    return f"/v1/episodes/{held(clinic)['episode_id']}/reminder-plan"


def put(clinic: Clinic, path: str, body: Any, role: str | None = None) -> Any:
    """The answer to a change of the plan as it is now."""
    role = role or (ADMINISTRATOR if path == PATH else CLINICIAN)
    tag = clinic.clinician.get(path).headers["ETag"]
    return clinic.world.client(role).put(path, body, headers={"If-Match": tag})


def kept(clinic: Clinic, path: str, body: Any) -> dict[str, Any]:
    response = put(clinic, path, body)
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json
    return answer


def faults(response: Any) -> list[tuple[str, str]]:
    return [(one["pointer"], one["code"]) for one in assert_problem(response, 422, "invalid_body")["errors"]]


def notes(clinic: Clinic) -> list[tuple[str, str, str | None, str | None]]:
    items = clinic.administrator.get("/v1/audit?limit=200").json["items"]
    return [
        (one["action"], one["object_id"], one["athlete_id"], one["detail"])
        for one in items
        if one["object_kind"] == "reminder_plan"
    ]


def mails(clinic: Clinic, moment: str) -> dict[str, str]:
    """Hand over what is due at a moment; of each mail that was made by it, the person and the step."""
    before = {one["id"] for one in clinic.found("deliveries")}
    clinic.at(moment)
    hand_due(clinic.world.context, has_mail=True)
    admin = clinic.administrator
    new = [one["id"] for one in admin.get("/v1/deliveries?channel=email").json["items"] if one["id"] not in before]
    return {
        one["actor"]["display_name"]: ", ".join(task["step"] for task in one["body"]["data"]["tasks"])
        for one in (admin.get(f"/v1/deliveries/{id_}").json for id_ in new)
    }


# The organisation's


def test_an_organisation_that_has_written_none_has_the_default_plan(clinic):
    for role in (CLINICIAN, ADMINISTRATOR):
        assert clinic.world.client(role).get(PATH).json == {**DEFAULT, "kept_by": "default"}


def test_a_plan_is_written_and_noted(clinic):
    assert kept(clinic, PATH, PLAN) == {**PLAN, "kept_by": "organisation"}

    assert clinic.clinician.get(PATH).json == {**PLAN, "kept_by": "organisation"}
    detail = "at 09:30; on_day to clinicians; overdue:3 to administrators"
    assert notes(clinic) == [("change_reminder_plan", clinic.world.organisation, None, detail)]


def test_the_same_plan_again_changes_nothing(clinic):
    kept(clinic, PATH, PLAN)
    before = clinic.row("reminder_plans")

    kept(clinic, PATH, PLAN)

    assert clinic.row("reminder_plans") == before
    assert len(notes(clinic)) == 1


def test_a_plan_like_the_default_one_is_kept_too(clinic):
    assert kept(clinic, PATH, DEFAULT)["kept_by"] == "organisation"


@pytest.mark.parametrize("before", [None, PLAN])
def test_a_change_needs_the_etag_of_what_was_seen(clinic, before):
    if before:
        kept(clinic, PATH, before)
    admin = clinic.administrator
    seen = admin.get(PATH).headers["ETag"]

    assert_problem(admin.put(PATH, PLAN), 428, "precondition_required")
    after = admin.put(PATH, {**PLAN, "at": "06:00"}, headers={"If-Match": seen})
    assert after.status_code == 200, after.text
    assert_problem(admin.put(PATH, PLAN, headers={"If-Match": seen}), 412, "precondition_failed")
    assert admin.get(PATH).json["at"] == "06:00"
    assert admin.put(PATH, PLAN, headers={"If-Match": after.headers["ETag"]}).status_code == 200


def test_a_plan_moves_what_is_planned(clinic):
    add_mail(clinic, CLINICIAN, "clinician@clinic.invalid")
    task = held(clinic)
    assert task["due_on"] == date(2026, 11, 22)

    kept(clinic, PATH, {"at": "09:30", "steps": [ON_DAY]})

    assert mails(clinic, "2026-11-22T09:29:00+01:00") == {}
    assert mails(clinic, "2026-11-22T09:31:00+01:00") == {"Invented Clinician": "on_day"}
    assert mails(clinic, "2026-12-30T12:00:00+01:00") == {}


def test_the_steps_of_a_plan_reach_the_people_whom_they_name_and_webhooks(clinic):
    add_webhook(clinic, "https://receiver.invalid/")
    for role in (CLINICIAN, ADMINISTRATOR):
        add_mail(clinic, role, f"{role}@clinic.invalid")
    person = clinic.world.callers[ADMINISTRATOR].actor
    held(clinic)

    kept(clinic, PATH, {"at": "07:00", "steps": [{"when": "on_day", "to": [person]}]})

    assert mails(clinic, "2026-11-22T07:00:00+01:00") == {"Invented Administrator": "on_day"}
    [told] = clinic.administrator.get("/v1/deliveries?type=task.due").json["items"]
    assert told["channel"] == "webhook"


def test_who_is_named_and_has_no_address_any_more_is_left_out_and_the_others_are_told(clinic):
    for role in (CLINICIAN, ADMINISTRATOR):
        add_mail(clinic, role, f"{role}@clinic.invalid")
    clinician, administrator = (clinic.world.callers[role].actor for role in (CLINICIAN, ADMINISTRATOR))
    kept(clinic, PATH, {"at": "07:00", "steps": [{"when": "on_day", "to": [clinician, administrator]}]})
    held(clinic)

    removed = clinic.clinician.put(f"/v1/actors/{clinician}/email", {"email": None})

    assert removed.status_code == 200, removed.text
    assert mails(clinic, "2026-11-22T07:00:00+01:00") == {"Invented Administrator": "on_day"}


# Faults


def steps(*several: Any) -> dict[str, Any]:
    return {"at": "07:00", "steps": list(several)}


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({}, {("#/at", "missing"), ("#/steps", "missing")}),
        ([], {("#", "wrong_type")}),
        ({**PLAN, "at": 7}, {("#/at", "wrong_type")}),
        ({**PLAN, "at": "24:00"}, {("#/at", "bad_text")}),
        ({**PLAN, "at": "7:00"}, {("#/at", "bad_text")}),
        ({**PLAN, "kept_by": "organisation"}, {("#/kept_by", "unknown_field")}),
        (steps(), {("#/steps", "missing")}),
        ({**PLAN, "steps": ON_DAY}, {("#/steps", "wrong_type")}),
        (steps("on_day"), {("#/steps/0", "wrong_type")}),
        (
            steps(*({"when": "before", "days": one, "to": ["clinicians"]} for one in range(1, 12))),
            {("#/steps", "out_of_range")},
        ),
        (steps({}), {("#/steps/0/when", "missing"), ("#/steps/0/to", "missing")}),
        (steps({**ON_DAY, "when": "sometimes"}), {("#/steps/0/when", "unknown_name")}),
        (steps({**ON_DAY, "days": 1}), {("#/steps/0/days", "conflicts")}),
        (steps({**ON_DAY, "when": "overdue"}), {("#/steps/0/days", "missing")}),
        (steps({**ON_DAY, "to": []}), {("#/steps/0/to", "missing")}),
        (steps({**ON_DAY, "to": "clinicians"}), {("#/steps/0/to", "wrong_type")}),
        (steps({**ON_DAY, "to": [{}]}), {("#/steps/0/to/0", "wrong_type")}),
        (steps({**ON_DAY, "to": ["coaches"]}), {("#/steps/0/to/0", "bad_text")}),
        (steps({**ON_DAY, "to": ["clinicians", "clinicians"]}), {("#/steps/0/to/1", "duplicate")}),
        (steps(ON_DAY, {**ON_DAY, "to": ["administrators"]}), {("#/steps/1", "duplicate")}),
        (
            steps(*({"when": "before", "days": one, "to": ["clinicians"]} for one in (-1, 0, 367, 1.5, "2", True))),
            {
                *((f"#/steps/{place}/days", "out_of_range") for place in (0, 1, 2)),
                ("#/steps/3/days", "not_whole"),
                *((f"#/steps/{place}/days", "wrong_type") for place in (4, 5)),
            },
        ),
    ],
)
def test_a_plan_with_faults_names_each_and_changes_nothing(clinic, body, expected):
    kept(clinic, PATH, PLAN)
    before = clinic.row("reminder_plans")

    found = faults(put(clinic, PATH, body))

    assert set(found) == expected
    assert len(found) == len(expected)
    assert clinic.row("reminder_plans") == before


def test_ten_steps_of_1_to_366_days_are_a_plan(clinic):
    ten = steps(*({"when": "before", "days": one, "to": ["clinicians"]} for one in (*range(1, 10), 366)))

    assert kept(clinic, PATH, ten)["steps"] == ten["steps"]


def test_a_person_who_can_not_be_sent_a_mail_is_named_with_the_mend(clinic):
    add_mail(clinic, ADMINISTRATOR, "administrator@clinic.invalid")
    gone = created(
        clinic.administrator.post("/v1/actors", {"kind": PERSON, "display_name": "Gone", "roles": [SUBMITTER]})
    )
    clinic.administrator.post(f"/v1/actors/{gone['id']}/disable")
    nobody = "01990a5d-ac96-774b-bcce-b302099a8057"
    system, reached, silent = (clinic.world.callers[role].actor for role in (SUBMITTER, ADMINISTRATOR, CLINICIAN))
    elsewhere = new_clinic(clinic.world.url).world.administrator.actor

    named = steps(
        {**ON_DAY, "to": ["clinicians", nobody, reached, system]},
        {**PLAN["steps"][1], "to": [silent, gone["id"], elsewhere]},
    )
    response = put(clinic, PATH, named)

    assert faults(response) == [
        ("#/steps/0/to/1", "unknown_name"),
        ("#/steps/0/to/3", "conflicts"),
        ("#/steps/1/to/0", "conflicts"),
        ("#/steps/1/to/1", "conflicts"),
        ("#/steps/1/to/2", "unknown_name"),
    ]
    details = " ".join(one["detail"] for one in response.json["errors"])
    for mend in ("is a system", "has no e-mail address", "is disabled"):
        assert mend in details
    assert clinic.found("reminder_plans") == []


# An episode's


def test_an_episode_follows_the_organisations_plan_until_it_has_steps_of_its_own(clinic):
    path = own(clinic)
    assert clinic.clinician.get(path).json == {**DEFAULT, "kept_by": "default"}
    kept(clinic, PATH, PLAN)
    assert clinic.clinician.get(path).json == {**PLAN, "kept_by": "organisation"}

    assert kept(clinic, path, {"steps": [ON_DAY]}) == {"at": "09:30", "steps": [ON_DAY], "kept_by": "episode"}

    assert clinic.clinician.get(PATH).json == {**PLAN, "kept_by": "organisation"}
    athlete = clinic.row("episodes")["athlete_id"]
    assert ("change_reminder_plan", path.split("/")[3], athlete, "on_day to clinicians") in notes(clinic)


def test_an_episodes_own_steps_move_its_reminders_only_and_back(clinic):
    add_mail(clinic, CLINICIAN, "clinician@clinic.invalid")
    path = own(clinic)
    other = {name: one | {"ref": f"other-{name}"} for name, one in (("athlete", ATHLETE), ("episode", EPISODE))}
    held(clinic, ref="B", **other)
    kept(clinic, PATH, steps(ON_DAY))

    kept(clinic, path, {"steps": [{"when": "before", "days": 1, "to": ["clinicians"]}]})

    assert mails(clinic, "2026-11-21T07:00:00+01:00") == {"Invented Clinician": "before:1"}
    assert mails(clinic, "2026-11-22T07:00:00+01:00") == {"Invented Clinician": "on_day"}


def test_an_episode_goes_back_to_the_organisations_plan(clinic):
    add_mail(clinic, CLINICIAN, "clinician@clinic.invalid")
    path = own(clinic)
    kept(clinic, PATH, steps(ON_DAY))
    kept(clinic, path, {"steps": [{"when": "overdue", "days": 9, "to": ["clinicians"]}]})
    seen = clinic.clinician.get(path).headers["ETag"]

    assert_problem(clinic.clinician.delete(path), 428, "precondition_required")
    assert clinic.clinician.delete(path, headers={"If-Match": seen}).status_code == 204
    assert_problem(clinic.clinician.delete(path, headers={"If-Match": seen}), 412, "precondition_failed")

    assert clinic.clinician.get(path).json == {**steps(ON_DAY), "kept_by": "organisation"}
    assert [action for action, *_ in notes(clinic)].count("drop_reminder_plan") == 1
    assert mails(clinic, "2026-11-22T07:00:00+01:00") == {"Invented Clinician": "on_day"}


def test_an_episode_without_steps_of_its_own_has_nothing_to_go_back_from(clinic):
    path = own(clinic)

    assert clinic.clinician.delete(path, headers={"If-Match": "*"}).status_code == 204

    assert notes(clinic) == []


def test_an_episodes_plan_has_no_hour(clinic):
    assert faults(put(clinic, own(clinic), PLAN)) == [("#/at", "unknown_field")]
    assert clinic.found("reminder_plans") == []


def test_what_was_seen_of_an_episode_is_seen_anew_where_the_organisations_plan_changed(clinic):
    path = own(clinic)
    seen = clinic.clinician.get(path).headers["ETag"]
    kept(clinic, PATH, PLAN)

    response = clinic.clinician.put(path, {"steps": [ON_DAY]}, headers={"If-Match": seen})

    assert_problem(response, 412, "precondition_failed")


def test_the_plan_of_a_closed_episode_is_read_and_not_changed(clinic):
    path = own(clinic)
    kept(clinic, path, {"steps": [ON_DAY]})
    clinic.at("2026-11-21T18:00:00+01:00")
    closed = {"kind": "closed", "at": "2026-11-21T17:00:00+01:00", "cause": "moved away"}
    clinic.post(f"{path.removesuffix('/reminder-plan')}/events", closed)
    before = clinic.row("reminder_plans")

    assert clinic.clinician.get(path).json["kept_by"] == "episode"
    for response in (put(clinic, path, {"steps": [ON_DAY]}), clinic.clinician.delete(path, headers={"If-Match": "*"})):
        problem = assert_problem(response, 409, "episode_closed")
        assert "a new battery opens it again" in problem["detail"]
        assert path.removesuffix("/reminder-plan") in response.headers["Link"]
    assert clinic.row("reminder_plans") == before


def test_the_plan_of_an_erased_athletes_episode_is_not_changed(clinic):
    path = own(clinic)
    athlete = clinic.row("episodes")["athlete_id"]
    erasure = {"scope": "full", "reason": "asked for"}
    clinic.post(f"/v1/athletes/{athlete}/erasure", erasure, ADMINISTRATOR)

    assert_problem(put(clinic, path, {"steps": [ON_DAY]}), 409, "erased")


def test_there_is_no_plan_of_an_episode_that_is_not_there(clinic):
    path = "/v1/episodes/01990a5d-ac96-774b-bcce-b302099a8057/reminder-plan"
    send = {"headers": {"If-Match": "*"}}
    for response in (
        clinic.clinician.get(path),
        clinic.clinician.put(path, {"steps": [ON_DAY]}, **send),
        clinic.clinician.delete(path, **send),
    ):
        assert_problem(response, 404, "not_found")
