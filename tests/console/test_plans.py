"""Reminder plans in the console: the organisation's among the settings, and an episode's own."""

import re
from typing import Any

import pytest

from tests.clinic import Clinic, small
from tests.console.signed_in import Reader, signed_in, text_of
from tests.console.statements import statements

PATH = "/console/settings"
API = "/v1/organisation/reminder-plan"


@pytest.fixture
def episode(clinic: Clinic) -> str:
    return str(clinic.post_battery(small("A"))["episode_id"])


def plan(*rows: tuple[str, str, list[str]], at: str = "06:30") -> dict[str, Any]:
    """The fields of a plan: a row is when, days and to whom."""
    fields: dict[str, Any] = {"at": at}
    for row, values in enumerate(rows):
        fields |= {f"step.{row}.{name}": value for name, value in zip(("when", "days", "to"), values, strict=True)}
    return fields


def tagged(reader: Reader, path: str = PATH, **fields: Any) -> dict[str, Any]:
    """These fields with the etag that the page has."""
    found = re.search(r'name="etag" value="([^"]+)"', reader.page(path))
    assert found is not None
    return {"etag": found.group(1), **fields}


def wrong(html: str) -> dict[str, str]:
    """What is said beside which field."""
    return dict(re.findall(r'<span class="wrong" id="([^"]+)-wrong">([^<]+)', html))


def test_until_one_is_written_the_usual_plan_is_shown_and_said_to_be_that(admin):
    said = text_of(admin.page(PATH))

    assert "Nobody has written a plan yet" in said
    assert said.count("One more step") == 1
    assert "Step 4" in said


def test_a_plan_is_written_with_a_step_more_and_a_step_removed(clinic, admin):
    rows = [("before", "3", ["clinicians"]), ("removed", "1", ["clinicians"]), ("on_day", "", ["administrators"])]

    where = admin.done(PATH, tagged(admin, **plan(*rows, ("", "", []))))

    assert "The reminder plan is kept." in text_of(admin.page(where))
    answer = clinic.administrator.get(API).json
    assert answer == {
        "at": "06:30",
        "steps": [{"when": "before", "days": 3, "to": ["clinicians"]}, {"when": "on_day", "to": ["administrators"]}],
        "kept_by": "organisation",
    }


def test_somebody_is_named_who_has_a_mail_address(clinic, admin):
    person = clinic.world.clinician.actor
    assert "People by name" not in admin.page(PATH)
    clinic.update("actors", {"email": "clinician@example.org"}, id=person)
    assert f'value="{person}"> Invented Clinician' in admin.page(PATH)

    admin.done(PATH, tagged(admin, **plan(("on_day", "", [person]))))

    assert clinic.administrator.get(API).json["steps"] == [{"when": "on_day", "to": [person]}]
    clinic.update("actors", {"email": None}, id=person)
    assert "Somebody who can't be sent mails any more" in text_of(admin.page(PATH))


@pytest.mark.parametrize(
    ("fields", "field", "fault"),
    [
        (plan(("before", "-1", ["clinicians"])), "step.0.days", "1 to 366"),
        (plan(("removed", "1", []), ("before", "", ["clinicians"])), "step.1.days", "1 to 366"),
        (plan(("before", "soon", ["clinicians"])), "step.0.days", "whole number"),
        (plan(("on_day", "", [])), "step.0.to", "goes to somebody"),
        (plan(("on_day", "2", ["clinicians"])), "step.0.days", "has no days"),
        (plan(("", "2", ["clinicians"])), "step.0.when", "required"),
        (plan(("on_day", "", ["clinicians"]), ("on_day", "", ["administrators"])), "step.1.when", "twice"),
        (plan(), "step.0.when", "1 to 10 steps"),
        (plan(("on_day", "", ["clinicians"]), at="25:00"), "at", "00:00 to 23:59"),
    ],
)
def test_a_fault_is_told_at_its_field_and_nothing_changes(clinic, admin, fields, field, fault):
    response = admin.send(PATH, tagged(admin, **fields))

    assert response.status_code == 422
    assert "Nothing was stored" in text_of(response.text)
    assert fault in wrong(response.text)[field]
    assert f'href="#{field}"' in response.text
    assert f'id="{field}"' in response.text
    assert clinic.administrator.get(API).json["kept_by"] == "default"


def test_what_was_typed_stays_and_a_fault_says_of_which_step(admin):
    rows = [("before", "5", ["administrators"]), ("overdue", "0", ["clinicians"])]

    html = admin.send(PATH, tagged(admin, **plan(*rows, at="05:45"))).text

    assert "Step 2, days: a whole number from 1 to 366" in text_of(html)
    assert 'value="05:45"' in html
    assert re.search(r'id="step.0.days"[^>]*value="5"', html)
    assert re.search(r'name="step.0.to" value="administrators" checked', html)


def test_a_plan_that_somebody_else_changed_meanwhile_is_not_written_over(clinic, admin):
    mine = tagged(admin, **plan(("on_day", "", ["clinicians"]), at="05:00"))
    admin.done(PATH, tagged(admin, **plan(("on_day", "", ["clinicians"]), at="08:00")))

    response = admin.send(PATH, mine)

    assert response.status_code == 412
    assert "was changed meanwhile" in text_of(response.text)
    assert clinic.administrator.get(API).json["at"] == "08:00"


def test_an_episode_has_steps_of_its_own_and_goes_back(clinic, reader, episode):
    path = f"/console/episodes/{episode}/reminders"
    athlete = clinic.found("athletes")[0]["id"]
    assert f'href="{path}"' in reader.page(f"/console/athletes/{athlete}")
    assert "This is the organisation's reminder plan" in text_of(reader.page(path))

    reader.done(path, tagged(reader, path, **plan(("overdue", "2", ["clinicians"]))))

    said = text_of(reader.page(path))
    assert "These steps are its own." in said
    own = clinic.clinician.get(f"/v1/episodes/{episode}/reminder-plan").json
    assert (own["at"], own["steps"]) == ("07:00", [{"when": "overdue", "days": 2, "to": ["clinicians"]}])
    reader.done(f"{path}/drop", tagged(reader, path))
    assert "This is the organisation's reminder plan" in text_of(reader.page(path))


def test_an_episode_that_is_closed_is_not_reminded_of(clinic, reader, episode):
    path = f"/console/episodes/{episode}/reminders"
    fields = tagged(reader, path, **plan(("overdue", "2", ["clinicians"])))
    clinic.at("2026-11-22T12:00:00+01:00")
    clinic.post(f"/v1/episodes/{episode}/events", {"kind": "closed", "on": "2026-11-21", "cause": "returned"})

    response = signed_in(clinic.world).send(path, fields)

    assert response.status_code == 409
    assert "was closed" in text_of(response.text)


def test_who_read_an_episodes_reminders_is_noted(clinic, reader, episode):
    reader.page(f"/console/episodes/{episode}/reminders")

    rows = clinic.administrator.get("/v1/audit?action=read_episode").json["items"]
    assert [one["object_id"] for one in rows] == [episode]


def test_the_pages_take_at_most_six_statements(clinic, admin, reader, episode):
    admin.page(PATH)
    for who, path in ((admin, PATH), (reader, f"/console/episodes/{episode}/reminders")):
        who.page(path)
        with statements(clinic.world) as sent:
            who.page(path)

        assert len(sent) <= 6, sent
