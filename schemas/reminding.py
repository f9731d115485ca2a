"""Reminder plans: when to remind of a task, and whom."""

from collections.abc import Iterator, Mapping
from typing import Any

from schemas import fields, query_fields
from schemas.document import list_of, nested
from schemas.rules import Broken, RuledSchema, all_of, none_of, part

BEFORE, ON_DAY, OVERDUE = "before", "on_day", "overdue"
WHEN = (BEFORE, ON_DAY, OVERDUE)
GROUPS = ("clinicians", "administrators")
KEPT_BY = ("default", "organisation", "episode")

MOST_STEPS, MOST_DAYS, MOST_RECIPIENTS = 10, 366, 20


class Recipient(query_fields.Id):
    """Everybody of a group, or one person by id."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.wanted = f"{', '.join(GROUPS)} or the id of a person is wanted"

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **more: Any) -> str:
        return str(value) if value in GROUPS else super()._deserialize(value, attr, data, **more)


class StepSchema(RuledSchema):
    """A step: so many days before the date, on it, or so many days after the last day of the window; and to whom."""

    when = fields.Choice(WHEN, required=True)
    days = fields.Whole(least=1, most=MOST_DAYS)
    to = list_of(Recipient(), required=True)

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for days where the step is not on the day itself, and for recipients, each once."""
        when, to = loaded.get("when"), part(sent, "to")
        if when == ON_DAY:
            yield from none_of(sent, ("days",), "a step on the day has no days; leave them out")
        elif when is not None:
            yield from all_of(sent, ("days",), f"say how many days, 1 to {MOST_DAYS}")
        if isinstance(to, list):
            yield from _faulty_recipients(to)


def _faulty_recipients(to: list[Any]) -> Iterator[Broken]:
    if not to:
        yield Broken(("to",), f"missing: a step goes to somebody: {', '.join(GROUPS)} or the ids of people")
    if len(to) > MOST_RECIPIENTS:
        yield Broken(("to",), f"out_of_range: a step has at most {MOST_RECIPIENTS} recipients, not {len(to)}")
    for place, one in enumerate(to):
        if one in to[:place]:
            yield Broken(("to", place), f"duplicate: {one} stands here twice")


class EpisodePlanSchema(RuledSchema):
    """The steps of one episode's own plan; the hour is the organisation's."""

    steps = list_of(nested(StepSchema), required=True)

    def rules(self, _loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for 1 to 10 steps, each once."""
        steps = part(sent, "steps")
        if not isinstance(steps, list):
            return
        if not 1 <= len(steps) <= MOST_STEPS:
            code = "out_of_range" if steps else "missing"
            yield Broken(("steps",), f"{code}: a plan has 1 to {MOST_STEPS} steps, not {len(steps)}")
        days = [_day(one) for one in steps]
        for place, one in enumerate(days):
            if one is not None and one in days[:place]:
                yield Broken(("steps", place), "duplicate: this step stands here twice; name all its recipients in one")


def _day(step: object) -> tuple[object, object] | None:
    """Return the day of a step as it was sent, None where it says none."""
    when = part(step, "when")
    days = None if when == ON_DAY else part(step, "days")
    return (when, days) if when == ON_DAY or days is not None else None


class PlanSchema(EpisodePlanSchema):
    """A plan: at which hour of the organisation's clock, and its steps."""

    at = fields.Text(
        most=5,
        pattern=r"([01]\d|2[0-3]):[0-5]\d",
        wanted="an hour from 00:00 to 23:59 is wanted, such as 07:00",
        required=True,
    )


class PlanAnswerSchema(PlanSchema):
    """The plan that counts, and who keeps it: the episode, the organisation, or nobody yet (`default`)."""

    kept_by = fields.Choice(KEPT_BY, required=True)
