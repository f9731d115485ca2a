"""The club is loaded through the use cases, and is answered what its stories tell."""

import json
from dataclasses import replace
from datetime import date, datetime

import pytest

from schemas.battery import BatterySchema
from schemas.faults import load
from schemas.strict_json import read
from service.demo.batteries import RETESTED, first_battery, retest_battery
from service.demo.club import STORIES, ZONE
from service.demo.loading import Answered, load_club, loaded_on
from service.demo.story import Decided, Morning, Visit
from service.store.database import Database
from service.use_cases import rebuilding
from service.use_cases.access import authenticate
from service.use_cases.context import Caller, Context
from service.use_cases.history import list_decisions
from service.use_cases.posting import post_battery
from service.use_cases.retests import list_tasks

TODAY = date(2026, 11, 28)
NOW = datetime(2026, 11, 28, 7, 30, tzinfo=ZONE)


@pytest.fixture
def context(databases):
    with databases.copy("sqlite") as made:
        database = Database(made.url)
        yield Context(database, lambda: NOW, "0")
        database.close()


def judged_steps() -> list[Visit | Morning | Decided]:
    steps = [step for story in STORIES for injury in story.injuries for step in injury.steps]
    return [step for step in steps if isinstance(step, Visit | Morning | Decided) and step.expected is not None]


def test_the_record_answers_each_step_as_its_story_tells(context):
    answers: list[Answered] = []
    lines: list[str] = []
    secrets = load_club(context, TODAY, tell=lines.append, answered=answers.append)

    told = [(one.answer["outcome"], tuple(one.answer["hold_because"])) for one in answers]
    assert told == [(step.expected.outcome, step.expected.because) for step in judged_steps()]
    assert len(lines) == len(STORIES)
    callers = {role: authenticate(context, secret) for role, secret in secrets.items()}
    assert {role: caller.roles for role, caller in callers.items()} == {role: {role} for role in callers}
    assert rebuilding.check(context).is_clean
    # A bad morning withdraws the gates with a loading test, a re-injury and giving way all that was decided before
    # them, and so does spraining the ankle again as a new episode; where a stage was decided again since, the older
    # decision is superseded.
    withdrawn = {"NU-104": 3, "NU-105": 3, "NU-114": 6, "NU-116": 4}
    assert states(context, callers["clinician"], "withdrawn") == withdrawn
    # The review of an override is due two days after it, and this one waits still; NU-101 returned yesterday, and is
    # asked after two, six and twelve weeks.
    assert due(context, callers["clinician"]) <= {-5, *range(-2, 8), 13, 41, 83}


@pytest.mark.parametrize(
    "later", ["2026-11-28T00:00:30", "2026-11-28T23:59:30", "2026-11-29T08:00:00", "2027-01-01T00:00:30"]
)
def test_the_batteries_to_post_can_be_posted_whenever_the_demonstration_is_started(context, later):
    secrets = load_club(context, TODAY, stories=[RETESTED])
    now = datetime.fromisoformat(later).replace(tzinfo=ZONE)
    started = replace(context, clock=lambda: now)
    submitter, clinician = (authenticate(started, secrets[role]) for role in ("submitter", "clinician"))
    [task] = list_tasks(started, clinician, {"kind": "retest"}, limit=9).items

    first, retest = (
        post_battery(started, submitter, as_posted(body), key).answer["created"]
        for key, body in {"first": first_battery(now), "retest": retest_battery(now, loaded_on(started))}.items()
    )

    assert (first, retest) == (["athlete", "episode"], [])
    closed = list_tasks(started, clinician, {"kind": "retest", "state": "closed"}, limit=9).items
    assert {one["id"]: one["closed_because"] for one in closed}[task["id"]] == "done"


def as_posted(body: dict[str, object]) -> dict[str, object]:
    document, faults = load(BatterySchema(), read(json.dumps(body, default=float))[0])
    assert faults == []
    return document


def states(context: Context, clinician: Caller, state: str) -> dict[str, int]:
    """How many decisions are in a state now, by athlete."""
    asked = {"state": state}
    refs = {story.ref: {**asked, "athlete_ref": story.ref} for story in STORIES}
    found = {ref: len(list_decisions(context, clinician, one, limit=200).items) for ref, one in refs.items()}
    return {ref: count for ref, count in found.items() if count}


def due(context: Context, clinician: Caller) -> set[int]:
    """In how many days what is open is due."""
    open_ = list_tasks(context, clinician, {}, limit=200).items
    return {(date.fromisoformat(one["due_on"]) - TODAY).days for one in open_}
