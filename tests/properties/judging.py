"""Every gate's verdict on a story at once, and the comparisons that the laws are made of."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hypothesis import assume, event, note, reject

from service.domain.errors import InvalidDocumentError
from service.domain.evidence import Evidence
from service.domain.fold import fold
from service.domain.judge import Verdict, verdict_of
from service.domain.judging import Judging
from service.domain.record import Moment, instant
from service.use_cases.evaluate import Evaluation, evaluate
from service.use_cases.reading_entries import JUDGED, Clock, battery_bodies, read_entries
from tests.builders import criteria, loaded
from tests.properties.stories import Story

_CLOCK = Clock()


@dataclass(frozen=True)
class Answers:
    """The verdict of each stage, and the evidence that all of them read."""

    verdicts: Mapping[str, Verdict]
    evidence: Evidence

    def passed(self) -> set[str]:
        """The stages that pass."""
        return {stage for stage, verdict in self.verdicts.items() if verdict["outcome"] == "pass"}

    def held(self) -> set[str]:
        """The stages that hold."""
        return set(self.verdicts) - self.passed()

    def findings(self) -> dict[str, Any]:
        """What each stage came to, without the figures of when and through which entry it was judged."""
        keys = ("outcome", "hold_because", "holds", "reasons")
        return {stage: {key: verdict[key] for key in keys} for stage, verdict in self.verdicts.items()}


def answers(story: Story) -> Answers:
    """Return every gate's verdict; a story that could not have been recorded is no example."""
    if story.answers is None:
        found = _evidence(story)
        if found is None:
            reject()
        judging = Judging(found, criteria())
        story.answers = Answers({stage: verdict_of(judging, stage) for stage in criteria().stages}, found)
    return story.answers  # type: ignore[no-any-return]


def explained(story: Story, stage: str) -> Evaluation | None:
    """Return a verdict with its advice by the way that a file of entries is evaluated."""
    at = None if story.at is None else datetime.fromisoformat(story.at)
    return evaluate(loaded(story.document), criteria(), stage=stage, clock=_CLOCK, as_of=at)


def _evidence(story: Story) -> Evidence | None:
    """Return what a story offers, without the words that go with a verdict; None where it is refused."""
    document = loaded(story.document)
    try:
        entries = read_entries(document, criteria(), _CLOCK)
    except InvalidDocumentError as error:
        note(str(error.errors))
        event(f"refused: {error.errors[0].code} {error.errors[0].detail[:60]}")
        return None
    through, at = max((place, body["performed_at"]) for place, body in battery_bodies(document))
    if story.at is not None:
        at = datetime.fromisoformat(story.at)
        through = max(entry.sequence for entry in entries if entry.occurred_at <= instant(at))
    moment = Moment(instant(at), _CLOCK.local_date(at))
    return fold(entries, episode=JUDGED, through=through, as_of=moment, posted=story.at is None)


def assert_no_hold_becomes_a_pass(before: Story, after: Story) -> None:
    held, passed = answers(before).held(), answers(after).passed()
    event("a stage that is asked for much passes before", str(bool({"running", "team_training"} - held)))

    assert sorted(held & passed) == []


def assert_no_pass_becomes_a_hold(before: Story, after: Story) -> None:
    passed = answers(before).passed()
    assume(passed)

    assert sorted(passed & answers(after).held()) == []


def assert_same(before: Story, after: Story) -> None:
    assert answers(before).findings() == answers(after).findings()


def asked(stage: str) -> Iterator[str]:
    """Yield the criteria that a stage asks."""
    yield from criteria().gates[stage].asks
