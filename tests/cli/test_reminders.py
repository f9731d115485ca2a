"""`reminders ...`: the operator looks at the reminder plan and at an episode's own steps, and writes them."""

import io
import json
import sys
from types import SimpleNamespace

from service.domain.reminding import DEFAULT
from service.use_cases.context import ADMINISTRATOR
from tests.reminders.due import add_mail, held

STEPS = [{"when": "before", "days": 1, "to": ["clinicians"]}, {"when": "on_day", "to": ["administrators"]}]
PLAN = {"at": "09:30", "steps": STEPS}
NOWHERE = "01990a5d-ac96-774b-bcce-b302099a8057"


def test_the_plan_is_shown_in_words(line):
    assert line.run("reminders", "show").out == (
        "At 07:00 in Europe/Berlin, the default plan:\n"
        "  - 2 days before: clinicians\n"
        "  - on the day: clinicians\n"
        "  - 1 day overdue: clinicians\n"
        "  - 7 days overdue: clinicians, administrators\n"
    )
    assert line.json("reminders", "show") == {**DEFAULT, "kept_by": "default"}


def test_a_plan_is_written_from_a_file_as_it_was_shown(line):
    ran = line.run("reminders", "set", "--file", line.file(json.dumps({**PLAN, "kept_by": "default"})))

    assert ran.code == 0
    assert "At 09:30 in Europe/Berlin, the organisation's plan: - 1 day before: clinicians" in ran.words
    assert line.json("reminders", "show") == {**PLAN, "kept_by": "organisation"}


def test_a_person_of_the_plan_is_named(line):
    add_mail(line.clinic, ADMINISTRATOR, "administrator@clinic.invalid")
    person = line.clinic.world.callers[ADMINISTRATOR].actor
    plan = line.file(json.dumps({**PLAN, "steps": [{"when": "on_day", "to": [person]}]}))

    assert "on the day: Invented Administrator" in line.run("reminders", "set", "--file", plan).words
    line.clinic.administrator.post(f"/v1/actors/{person}/disable")
    assert f"on the day: {person} (can't be sent a mail any more)" in line.run("reminders", "show").words


def test_a_plan_with_faults_is_refused_by_place_and_changes_nothing(line):
    faulty = line.file('{"at": "25:00", "steps": [{"when": "before", "days": 0, "to": []}]}')

    assert line.faults("reminders", "set", "--file", faulty) == {
        ("#/at", "bad_text"),
        ("#/steps/0/days", "out_of_range"),
        ("#/steps/0/to", "missing"),
    }
    unknown = json.dumps({**PLAN, "steps": [{"when": "on_day", "to": [NOWHERE]}]})
    assert line.faults("reminders", "set", "--file", line.file(unknown)) == {("#/steps/0/to/0", "unknown_name")}
    assert line.faults("reminders", "set", "--file", line.file("[]")) == {("#", "wrong_type")}


def test_a_file_that_can_not_be_read_is_told(line, monkeypatch):
    assert line.refused("reminders", "set", "--file", line.file("{"))["code"] == "broken_json"
    assert line.refused("reminders", "set", "--file", "/nowhere/plan.json")["code"] == "unreadable_file"

    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(json.dumps(PLAN).encode())))
    assert line.json("reminders", "set", "--file", "-") == {**PLAN, "kept_by": "organisation"}


def test_an_episode_is_given_steps_of_its_own_from_what_was_shown_and_they_are_taken_away_again(line):
    task = held(line.clinic)
    of = ("--episode", task["episode_id"])
    shown = line.json("reminders", "show", *of)
    assert shown == {**DEFAULT, "kept_by": "default"}

    ran = line.run("reminders", "set", *of, "--file", line.file(json.dumps({**shown, "steps": STEPS})))

    assert ran.code == 0
    assert "At 07:00 in Europe/Berlin, the episode's own steps: - 1 day before: clinicians" in ran.words
    assert line.json("reminders", "show", *of) == {**DEFAULT, "steps": STEPS, "kept_by": "episode"}
    assert line.json("reminders", "show") == {**DEFAULT, "kept_by": "default"}
    planned = {one["step"] for one in line.clinic.found("reminders", task_id=task["id"], state="planned")}
    assert planned == {"before:1", "on_day"}
    assert line.json("reminders", "remove", *of) == {**DEFAULT, "kept_by": "default"}
    planned = {one["step"] for one in line.clinic.found("reminders", task_id=task["id"], state="planned")}
    assert "overdue:7" in planned


def test_an_episode_has_no_hour_of_its_own_and_has_to_be_there(line):
    of = ("--episode", held(line.clinic)["episode_id"])
    plan = line.file(json.dumps(PLAN))

    assert line.faults("reminders", "set", *of, "--file", plan) == {("#/at", "unknown_field")}
    assert line.json("reminders", "show", *of) == {**DEFAULT, "kept_by": "default"}
    for command in (("show",), ("set", "--file", plan), ("remove",)):
        assert line.faults("reminders", *command, "--episode", "mine") == {("--episode", "bad_text")}
        assert line.refused("reminders", *command, "--episode", NOWHERE)["code"] == "not_found"
