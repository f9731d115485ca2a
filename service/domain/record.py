"""The entries of an athlete's record that a verdict reads, as the record keeps them.

Documents are canonical: numbers are text, dates and moments are text, ids of entries name other entries.

battery             kind assessment | baseline | follow_up, occasion?, performed_at, performed_on, athlete
                    {birth_year?, birth_month?}, episode? {condition, involved_side, onset_on, other_side},
                    session_check? {question: answer}, referral? {question: bool}, since_last? {events?: [{kind, on}],
                    sessions?: [{kind, on, minutes? | efforts?, worst_pain?, next_morning_rise?, medication?}]}, setup?,
                    measurements [{test, side?, result, because?, unit?, trials? [{value?, invalid_because?}],
                    trials_summarised?, pain?, instability?, setup?}], follows?, supersedes?, confirmed? [sides]
event               kind giving_way | setback | re_injury | reclassified {condition} | corrected {involved_side?,
                    onset_on?, other_side?} | closed {cause}; `on`, or `at` where the moment is known
finding_resolution  finding, as ruled_out | confirmed | released
exception           stage, criterion, until
confirmation        battery, confirms [sides]
void                entry
decision            verdict, advice
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

BATTERY, EVENT, RESOLUTION = "battery", "event", "finding_resolution"
EXCEPTION, CONFIRMATION, VOID, DECISION = "exception", "confirmation", "void", "decision"

ASSESSMENT, BASELINE, FOLLOW_UP = "assessment", "baseline", "follow_up"

GIVING_WAY, SETBACK, RE_INJURY = "giving_way", "setback", "re_injury"
SETBACKS = (GIVING_WAY, SETBACK, RE_INJURY)
RECLASSIFIED, CORRECTED, CLOSED = "reclassified", "corrected", "closed"

RULED_OUT, RELEASED, CONFIRMED = "ruled_out", "released", "confirmed"

MEASURED, UNABLE, NOT_DONE, DEFERRED = "measured", "unable", "not_done", "deferred"
PAIN, NO_EQUIPMENT = "pain", "no_equipment"


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its place in the record, its id, what it is and when it happened.

    `occurred_at` is fixed-width UTC text (`instant`); an entry that gives a date only occurs at the start of that
    day. `occurred_on` is the local date. `episode` is None for baselines.
    """

    sequence: int
    id: str
    kind: str
    episode: str | None
    occurred_at: str
    occurred_on: date
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Moment:
    """The moment that a decision judges: fixed-width UTC text, and the local date there."""

    at: str
    on: date


def instant(moment: datetime) -> str:
    """Return an aware moment as fixed-width UTC text, which sorts as time does.

    >>> from datetime import timedelta, timezone
    >>> instant(datetime(2026, 11, 20, 16, 30, tzinfo=timezone(timedelta(hours=1))))
    '2026-11-20T15:30:00.000000Z'
    """
    return moment.astimezone(UTC).isoformat(timespec="microseconds").removesuffix("+00:00") + "Z"


def first_day(onset: str) -> date:
    """Return the first day of an onset that is a date or a month."""
    return date.fromisoformat(onset if len(onset) == len("2026-10-04") else f"{onset}-01")


def last_day(onset: str) -> date:
    """Return the last day of an onset that is a date or a month."""
    first = first_day(onset)
    if len(onset) == len("2026-10-04"):
        return first
    year, month = divmod(first.year * 12 + first.month, 12)
    return date.fromordinal(date(year, month + 1, 1).toordinal() - 1)


def line_of(battery: Entry, known: Mapping[str, Entry]) -> list[Entry]:
    """Return the batteries that took the place of one another up to this one, the oldest first.

    Args:
        battery: the last one.
        known: entries by id; what is not among them begins no line.
    """
    line = [battery]
    while (before := known.get(line[0].document.get("supersedes", ""))) is not None:
        line.insert(0, before)
    return line


def gone(entries: Sequence[Entry]) -> set[str]:
    """Return the ids of the entries that are void or superseded; a void that is void itself takes nothing away."""
    void: set[str] = set()
    for entry in sorted(entries, key=lambda one: one.sequence, reverse=True):
        if entry.kind == VOID and entry.document and entry.id not in void:
            void.add(entry.document["entry"])
    replaced = {
        entry.document["supersedes"] for entry in entries if entry.kind == BATTERY and "supersedes" in entry.document
    }
    return void | replaced
