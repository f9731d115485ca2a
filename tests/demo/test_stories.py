"""Each story is judged as it is told; what must be answered stands in the story and was worked out by hand."""

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import pytest

from service.demo.bodies import (
    QUESTIONS,
    athlete_body,
    baseline_body,
    battery_ref,
    episode_body,
    moment,
    morning_body,
    visit_body,
)
from service.demo.club import CLUB, STAFF, STORIES, ZONE
from service.demo.story import (
    INVENTED,
    Baseline,
    Decided,
    Excepted,
    Expected,
    Happened,
    Injury,
    Morning,
    Resolved,
    SidesConfirmed,
    Story,
    Visit,
)
from service.use_cases.evaluate import Evaluation, evaluate
from service.use_cases.reading_entries import Clock
from tests.builders import criteria, loaded

TODAYS = (date(2024, 2, 29), date(2027, 1, 1))
"""A leap day; the first of a year, when birth years have just turned."""


def told(story: Story, injury: Injury, today: date) -> Iterator[tuple[Any, dict[str, Any], Any]]:
    """Each step of an injury that is judged, with the entries up to it and the moment of a decision on them."""
    entries: list[dict[str, Any]] = []
    last: Visit | None = None
    for step in injury.steps:
        if isinstance(step, Decided):
            yield step, file_of(story, injury, entries, today), moment(today, step.day, step.at)
        entry = entry_of(story, injury, step, last, today)
        entries += [entry] if entry else []
        last = step if isinstance(step, Visit) else last
        if isinstance(step, Visit | Morning) and step.expected is not None:
            stage = {"target_stage": last.stage} if last is not None else {}
            yield step, file_of(story, injury, entries, today) | stage, None


def file_of(story: Story, injury: Injury, entries: list[dict[str, Any]], today: date) -> dict[str, Any]:
    athlete = athlete_body(story, today)
    return {"athlete": athlete, "episode": episode_body(story, injury, today), "entries": [*entries]}


def entry_of(story: Story, injury: Injury, step: Any, last: Visit | None, today: date) -> dict[str, Any] | None:
    """A step as an entry of a file; a decision and a sign-off are none."""
    at = moment(today, step.day, step.at).isoformat()
    return {
        Visit: lambda: {"battery": visit_body(story, injury, step, today)},
        Morning: lambda: {"battery": morning_body(story, step, last, today)},
        Baseline: lambda: {"battery": baseline_body(story, step, injury.involved, today)},
        Happened: lambda: {"event": {"kind": step.kind, "on": at[:10]} | ({"cause": step.cause} if step.cause else {})},
        Resolved: lambda: {"finding_resolution": {"finding": step.finding, "as": step.as_, "at": at}},
        Excepted: lambda: {"exception": waiver(step, today) | {"at": at}},
        SidesConfirmed: lambda: {
            "confirmation": {"battery": battery_ref(story, last), "confirms": ["sides"], "at": at}
        },
    }.get(type(step), lambda: None)()


def waiver(step: Excepted, today: date) -> dict[str, Any]:
    until = (today + timedelta(days=step.until)).isoformat()
    return {"stage": step.stage, "criterion": step.criterion, "until": until, "reason": step.reason}


def steps() -> Iterator[Any]:
    for story in STORIES:
        for injury in story.injuries:
            for step, _file, _at in told(story, injury, TODAYS[0]):
                name = f"{story.ref}-{type(step).__name__}{step.day}"
                yield pytest.param(story, injury, step, id=name)


def judged(story: Story, injury: Injury, step: Any, today: date) -> Evaluation:
    file, at = next((file, at) for one, file, at in told(story, injury, today) if one is step)
    stage = step.stage if isinstance(step, Decided) else file["target_stage"]
    found = evaluate(loaded(file), criteria(), stage=stage, clock=Clock(None, ZONE), as_of=at)
    assert found is not None, "a morning comes in time"
    return found


def expected_holds(expected: Expected, today: date) -> list[tuple[str, str, str]]:
    def about(one: str | int) -> str:
        return one if isinstance(one, str) else (today + timedelta(days=one)).isoformat()

    return [(kind, code, about(one)) for kind, code, one in expected.holds]


@pytest.mark.parametrize("today", TODAYS, ids=str)
@pytest.mark.parametrize(("story", "injury", "step"), [*steps()])
def test_each_step_of_a_story_is_answered_as_it_tells(story, injury, step, today):
    verdict = judged(story, injury, step, today).verdict
    codes = {row[0]: row[3] for row in reversed(verdict["reasons"])}

    assert (verdict["outcome"], tuple(verdict["hold_because"])) == (step.expected.outcome, step.expected.because)
    assert [tuple(one) for one in verdict["holds"]] == expected_holds(step.expected, today)
    assert {name: codes.get(name) for name in step.expected.codes} == step.expected.codes


def test_at_least_twelve_athletes_have_several_weeks_each():
    spans = {story.ref: -story.injuries[0].onset for story in STORIES}

    assert len(STORIES) >= 12
    assert min(spans.values()) >= 14
    assert len(spans) == len(STORIES)


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.ref)
def test_a_story_ends_yesterday_or_the_day_before(story):
    """Today's hours may lie ahead; and what is open is due about now."""
    last = max(step.day for step in story.injuries[-1].steps)

    assert -2 <= last <= -1


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.ref)
def test_a_story_is_told_in_the_order_of_recording(story):
    for injury in story.injuries:
        moments = [(getattr(step, "posted", None) or step.day, step.at) for step in injury.steps]
        recorded = [at for at in moments if at[0] >= injury.onset]

        assert recorded == sorted(recorded)


def test_every_text_says_that_it_is_invented():
    texts = [CLUB, *(one.name for one in STAFF.values())]
    for story in STORIES:
        for step in (step for injury in story.injuries for step in injury.steps):
            texts += [getattr(step, name) for name in ("rationale", "reason", "cause") if getattr(step, name, None)]

    assert len(texts) > 20
    assert [text for text in texts if INVENTED not in text] == []


def test_the_screen_of_the_stories_is_that_of_the_criteria_set():
    assert Counter(QUESTIONS) == Counter(question.id for question in criteria().referral)
