"""The words in which a story is told: who comes on which day, what is found, and what the service must answer.

A story is data. Days count from today: -2 is the day before yesterday. What must be answered was worked out by hand
from the criteria set, step by step; `tests/demo` compares.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

RECORDS, PHYSIO, OTHER_PHYSIO, PHYSICIAN = "records", "physio", "other_physio", "physician"
"""Who acts: the club's records system, its two physiotherapists, its physician."""

INVENTED = "(invented)"


@dataclass(frozen=True, slots=True)
class Expected:
    """What must be answered.

    Attributes:
        outcome: pass or hold.
        because: the kinds of hold, in the order of the answer.
        holds: what holds beside the criteria: kind, code, about; a day stands for its date.
        codes: the code of some criteria by name.
    """

    outcome: str
    because: tuple[str, ...] = ()
    holds: tuple[tuple[str, str, str | int], ...] = ()
    codes: Mapping[str, str] = field(default_factory=dict)


PASSED = Expected("pass")


def held(*because: str, holds: tuple[tuple[str, str, str | int], ...] = (), **codes: str) -> Expected:
    """Return a hold; criteria are named with underscores for their hyphens."""
    return Expected("hold", because, holds, {name.replace("_", "-"): code for name, code in codes.items()})


@dataclass(frozen=True, slots=True)
class Measured:
    """One test, on both sides or of the person.

    Trials are written in the order of trying: `"9.9 9.6 9.7"`; `"9.9 balance 9.6"` where the second was invalid because
    of balance; `"unable: pain"`, `"not_done: time"` where nothing was measured.

    Attributes:
        test: the test.
        involved: of the involved side, of the left where both are involved, or of the person.
        other: of the other side, or of the right; empty where it was not measured.
        pain: worst pain in it on the involved side.
        instability: felt instability in a hop on the involved side.
        support: what supported the involved side, if not that of the whole battery.
    """

    test: str
    involved: str
    other: str = ""
    pain: int = 0
    instability: int = 0
    support: str | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """A session between batteries; efforts or minutes, as its kind takes."""

    kind: str
    day: int
    amount: int
    pain: int = 1
    rise: int = 0
    medication: str = "none"


@dataclass(frozen=True, slots=True)
class Check:
    """The session check."""

    rest: int = 0
    limp: bool = False
    swelling: bool = False
    medication: str = "none"


@dataclass(frozen=True, slots=True)
class Screen:
    """The referral screen: which questions were answered yes; `asked` names those asked, if not all."""

    yes: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Visit:
    """A battery: an assessment of the athlete's episode.

    Attributes:
        day: when it was performed.
        stage: the gate asked about; None: it is kept, and judged by nobody.
        expected: what must be answered, None where nothing is judged.
        measured: what was measured.
        sessions: what was trained since the visit before.
        events: setbacks told, as (kind, day).
        check: the session check.
        screen: the referral screen, where it was asked.
        confirmed: whether the sender says at once that the sides are right.
        corrects: the day of the visit that this one supersedes.
        posted: the day on which it was sent, if not the same.
        at: the time of day.
        by: who sent it.
    """

    day: int
    stage: str | None
    expected: Expected | None
    measured: tuple[Measured, ...] = ()
    sessions: tuple[Session, ...] = ()
    events: tuple[tuple[str, int], ...] = ()
    check: Check = Check()
    screen: Screen | None = None
    confirmed: bool = False
    corrects: int | None = None
    posted: int | None = None
    at: str = "16:30"
    by: str = RECORDS


@dataclass(frozen=True, slots=True)
class Morning:
    """The follow-up of the visit before: how the ankle is the morning after; it is judged anew."""

    day: int
    expected: Expected | None
    check: Check = Check()
    at: str = "08:00"
    by: str = RECORDS


@dataclass(frozen=True, slots=True)
class Baseline:
    """A battery from before the injury: values of left and right, or of the person."""

    day: int
    measured: tuple[Measured, ...]
    at: str = "18:00"
    by: str = RECORDS


@dataclass(frozen=True, slots=True)
class Happened:
    """An event that a clinician enters: a setback, giving way, a re-injury, the end of the episode."""

    day: int
    kind: str
    by: str = PHYSIO
    cause: str | None = None
    at: str = "19:00"


@dataclass(frozen=True, slots=True)
class Resolved:
    """What became of a finding, by a named clinician."""

    day: int
    finding: str
    as_: str
    reason: str
    by: str = PHYSICIAN
    at: str = "11:00"


@dataclass(frozen=True, slots=True)
class Excepted:
    """A dated waiver of one criterion at one stage."""

    day: int
    stage: str
    criterion: str
    until: int
    reason: str
    by: str = PHYSIO
    at: str = "10:00"


@dataclass(frozen=True, slots=True)
class SidesConfirmed:
    """A clinician says that left and right of the visit before are right."""

    day: int
    by: str = PHYSIO
    at: str = "09:00"


@dataclass(frozen=True, slots=True)
class Decided:
    """A gate judged on what is stored, without a new battery."""

    day: int
    stage: str
    expected: Expected
    by: str = PHYSIO
    at: str = "12:00"


@dataclass(frozen=True, slots=True)
class SignedOff:
    """What a named professional determines on the decision before.

    Attributes:
        day: when.
        determination: agree, stricter, override or defer.
        stage: of the position; None where it is deferred.
        participation: of the position.
        rationale: why.
        overridden: the criteria that an override sets aside.
        until: when an override lapses.
        conditions: under which the athlete takes part.
        informed: who was told.
        by: who.
        at: the time of day.
    """

    day: int
    determination: str
    stage: str | None
    participation: str | None
    rationale: str
    overridden: tuple[str, ...] = ()
    until: int | None = None
    conditions: str | None = None
    informed: tuple[str, ...] = ()
    by: str = PHYSIO
    at: str = "17:30"


Step = Visit | Morning | Baseline | Happened | Resolved | Excepted | SidesConfirmed | Decided | SignedOff


@dataclass(frozen=True, slots=True)
class Injury:
    """One episode of a lateral ankle sprain, and what happens in it, in the order of recording.

    Attributes:
        onset: the day of the injury.
        involved: left, right or both.
        other_side: the state of the other side.
        steps: what happens.
    """

    onset: int
    involved: str
    steps: tuple[Step, ...]
    other_side: str = "healthy"


@dataclass(frozen=True, slots=True)
class Story:
    """One athlete.

    Attributes:
        ref: the club's opaque reference.
        title: what the story shows.
        turns: the age that the athlete reaches this year.
        sex: as recorded.
        injuries: the episodes, in order of time; a later one recurs from the one before.
    """

    ref: str
    title: str
    turns: int
    sex: str
    injuries: tuple[Injury, ...]
