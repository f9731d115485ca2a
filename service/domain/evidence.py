"""What an athlete's record offers for one episode at one moment: the shapes that `fold` makes and `judge` reads."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from service.domain.catalogue import BOTH, OPPOSITE, SIDES
from service.domain.record import MEASURED, UNABLE, Entry, first_day, last_day

HEALTHY, PREVIOUSLY_INJURED, SYMPTOMATIC, UNKNOWN = "healthy", "previously_injured", "symptomatic", "unknown"
OTHER_SIDES = (HEALTHY, PREVIOUSLY_INJURED, SYMPTOMATIC, UNKNOWN)


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """One test on one side (or the person) on one occasion.

    `values` are those of the valid trials in attempt order, in `unit` as sent; `invalid` the causes of the others;
    `summarised` the number of trials of a value that the sender had already summarised. `ended_by` has giving_way and
    pain where a trial, or being unable, ended so. `setup` is the battery's with the measurement's own laid over it.
    `occasion` is None in a baseline.
    """

    test: str
    side: str | None
    result: str
    because: str | None
    values: tuple[Decimal, ...]
    invalid: tuple[str, ...]
    summarised: int | None
    unit: str | None
    pain: int | None
    instability: int | None
    ended_by: frozenset[str]
    setup: Mapping[str, Any]
    battery: str
    performed_at: str
    on: date
    occasion: "Occasion | None"

    @property
    def is_attempt(self) -> bool:
        """Tell whether the test was tried: measured, or unable."""
        return self.result in (MEASURED, UNABLE)

    @property
    def trials_valid(self) -> int:
        """Return how many valid trials it stands for."""
        return self.summarised or len(self.values)


@dataclass(slots=True, eq=False)
class Occasion:
    """Batteries of one episode, local date and occasion name, in the order of their first battery.

    `key` is its name, else the id of the one battery that has none, and the date.
    `attempts` are the measurements that were tried on an involved side or by the person.
    `answers` and `morning` hold each question's answers as given, `batteries` the ids, `since_last_told` whether what
    happened since last time was asked. `cancelled` says that a setback came after it, `before_reinjury` a re-injury.
    `confirmed_through` is the last sequence whose sides a person has confirmed; `last_sequence` that of its batteries.
    """

    key: tuple[str, str, str]
    on: date
    first_at: str
    batteries: list[str]
    performed_at: dict[str, str]
    measurements: dict[tuple[str, str | None], Measurement]
    attempts: list[Measurement]
    answers: dict[str, list[Any]]
    morning: dict[str, list[Any]]
    referral: dict[str, list[bool]]
    follow_ups: list[str]
    since_last_told: bool = False
    cancelled: bool = False
    before_reinjury: bool = False
    confirmed_through: int = 0
    last_sequence: int = 0

    @property
    def sides_confirmed(self) -> bool:
        """Tell whether a person has confirmed the sides of all its batteries."""
        return self.last_sequence <= self.confirmed_through


@dataclass(frozen=True, slots=True)
class Session:
    """One kind of session on one date, several reports laid together: the worse pain and rise, the longer dose."""

    on: date
    kind: str
    dose: int | None
    worst_pain: int | None
    next_morning_rise: int | None
    medication: tuple[str, ...]
    batteries: tuple[str, ...]
    cancelled: bool


@dataclass(frozen=True, slots=True, eq=False)
class Setback:
    """A setback, giving way or a re-injury that was told, giving way in a trial, or a confirmed finding.

    A later episode of an involved side is a re-injury on its onset.

    `entries` are those that say so. `moment` is set where it is known (of a trial always), `telling` is the place of
    the occasion whose `since_last` told it first; `test` and `occasion` are those of the trial.
    """

    kind: str
    on: date
    entries: frozenset[str]
    moment: str | None = None
    telling: int | None = None
    test: str | None = None
    occasion: Occasion | None = None

    def cancels(self, occasion: Occasion, place: int) -> bool:
        """Tell whether an occasion, at its place in the order, came before this setback.

        What was measured on the date of a dated event counts as before it; what an assessment tells lies before
        the measurements of its own occasion; giving way in a trial cancels its own occasion too.
        """
        if self.moment is not None:
            return occasion is self.occasion or occasion.first_at <= self.moment
        if self.telling is not None and place >= self.telling:
            return False
        return occasion.on <= self.on


@dataclass(frozen=True, slots=True)
class Finding:
    """An open finding: the referral question, when it was raised and by which entry."""

    question: str
    raised_on: date
    raised_by: str
    episode: str


@dataclass(frozen=True, slots=True)
class Waiver:
    """An exception in force: it takes a criterion out of a stage's gate until a date."""

    stage: str
    criterion: str
    until: date
    entry: str


@dataclass(frozen=True, slots=True)
class Facts:
    """The facts of the episode in force; `onset_on` is a date or a month as text."""

    condition: str
    involved_side: str
    onset_on: str
    other_side: str

    @property
    def involved(self) -> tuple[str, ...]:
        """Return the involved sides: one, or both."""
        return SIDES if self.involved_side == BOTH else (self.involved_side,)

    @property
    def is_bilateral(self) -> bool:
        """Tell whether both sides are involved."""
        return self.involved_side == BOTH

    @property
    def opposite(self) -> str | None:
        """Return the other side, None where both are involved."""
        return None if self.is_bilateral else OPPOSITE[self.involved_side]

    def is_after(self, earlier: "Facts") -> bool:
        """Tell whether the onset lies, or in the month told may lie, after that of another episode."""
        may_be_later = last_day(self.onset_on) > first_day(earlier.onset_on)
        return may_be_later and self.onset_on != earlier.onset_on


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a verdict reads.

    `occasions` are those up to the judged one, in order; `later` those after it, read for their stops only.
    `attempts` holds, for a test and side, every measurement that was an attempt, in the order of occasions;
    `baselines` likewise, latest first, only those with no episode open on their date and before this onset.
    `other_side_spans` are from when to when other episodes of the other side were open (date.max: still),
    `closing_entries` what closed other episodes. `ages` are the youngest and the oldest that fit what was sent, None
    without a birth year. `events` are the setbacks told and giving way in trials;
    `corrected` has for each battery of the judged occasion that took the place of others these and it, oldest first;
    `setbacks` those that cancel, confirmed findings among them and the trials of the judged occasion not.
    """

    episode: str
    as_of: str
    as_of_on: date
    through: int
    posted: bool
    today: date
    facts: Facts
    ages: tuple[int, int] | None
    judged: Occasion | None
    occasions: Sequence[Occasion]
    later: Sequence[Occasion]
    attempts: Mapping[tuple[str, str | None], Sequence[Measurement]]
    baselines: Mapping[tuple[str, str | None], Sequence[Measurement]]
    sessions: Sequence[Session]
    events: Sequence[Setback]
    setbacks: Sequence[Setback]
    reinjured_on: date | None
    findings: Sequence[Finding]
    waivers: Sequence[Waiver]
    other_side_spans: Sequence[tuple[date, date]]
    closing_entries: Sequence[str]
    fact_entries: Sequence[str]
    resolution_entries: Sequence[str]
    confirmation_entries: Sequence[str]
    corrected: Sequence[Sequence[Entry]]

    @property
    def other_side_open(self) -> bool:
        """Tell whether another open episode involves the other side."""
        return any(ended == date.max for _begun, ended in self.other_side_spans)

    def other_side_was_open(self, on: date) -> bool:
        """Tell whether another episode involved the other side on a day, closed since or not."""
        return any(begun <= on <= ended for begun, ended in self.other_side_spans)
