"""Entries of a record in few words, and what the engine makes of them.

The athlete was born in 2000 and sprained the left ankle on 1 October 2026; the other side is healthy. Batteries are
of 20 November 2026 and answer everything quietly, unless a test says otherwise.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import Any, NamedTuple

from service.domain.criteria import CriteriaSet
from service.domain.evidence import Evidence
from service.domain.fold import fold
from service.domain.judge import Verdict, judge
from service.domain.record import Entry, Moment
from tests.domain.small_set import GATE, small_set

TODAY = "2026-11-20"
EPISODE = "E1"
LEFT, RIGHT = "left", "right"
FACTS = {
    "condition": "lateral_ankle_sprain",
    "involved_side": LEFT,
    "onset_on": "2026-10-01",
    "other_side": "healthy",
}
QUIET = {"limp": False, "pain_at_rest": 0, "medication_24h": "none"}
SCREEN = {"numb": False, "growth_plate": False, "squeeze": False}
SETUP = {"support": "none", "instrument": "fixed"}
UNITS = {"hop": "cm", "side_hop": "s", "strength": "N", "lunge": "cm", "reach": "cm", "sprint": "s"}
RATED = ("hop", "side_hop", "strength", "heel_rises", "lunge", "sprint")


class Draft(NamedTuple):
    """An entry before it is numbered."""

    kind: str
    on: str
    at: str
    document: Mapping[str, Any]
    id: str | None = None
    episode: str | None = EPISODE


class Reason(NamedTuple):
    """A row of the verdict's reasons, its figure as one number."""

    status: str
    code: str
    figure: Fraction | None


# What was measured


def measured(test: str, side: str | None, *values: Any, **changes: Any) -> dict[str, Any]:
    """Return a measurement; a value that is a word is a trial invalid because of it. None takes a key away."""
    trials = [_trial(value) for value in values]
    one: dict[str, Any] = {"test": test, "side": side, "result": "measured", "unit": UNITS.get(test), "trials": trials}
    if test in RATED:
        one |= {"pain": 0, "instability": 0}
    return _changed(one, changes)


def _trial(value: Any) -> dict[str, str]:
    return {"value": str(value)} if str(value)[0].isdigit() else {"invalid_because": str(value)}


def both(test: str, involved: Any, other: Any, **changes: Any) -> list[dict[str, Any]]:
    """Return a test on the involved side (left) and on the other; `changes` are for the involved side."""
    return [measured(test, LEFT, *_listed(involved), **changes), measured(test, RIGHT, *_listed(other))]


def _listed(values: Any) -> Sequence[Any]:
    return values if isinstance(values, Sequence) and not isinstance(values, str) else [values]


def not_measured(test: str, side: str | None, result: str, because: str, **changes: Any) -> dict[str, Any]:
    """Return a measurement that is unable, not_done or deferred."""
    return _changed({"test": test, "side": side, "result": result, "because": because, "trials": []}, changes)


def session(kind: str, on: str, **changes: Any) -> dict[str, Any]:
    """Return a session that was tolerated."""
    one = {"kind": kind, "on": on, "worst_pain": 0, "next_morning_rise": 0, "medication": "none"}
    return _changed(one, changes)


def told(*events: tuple[str, str], sessions: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Return what was told of the time since last time."""
    return {"events": [{"kind": kind, "on": on} for kind, on in events], "sessions": list(sessions)}


def _changed(document: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    return {key: one for key, one in {**document, **changes}.items() if one is not None}


# Entries


def assessment(*measurements: Any, on: str = TODAY, at: str = "15:00", ref: str | None = None, **changes: Any) -> Draft:
    """Return a battery; measurements may be lists of them, `facts` changes the episode's. None takes a key away."""
    flat = [one for some in measurements for one in (some if isinstance(some, list) else [some])]
    episode, facts = changes.pop("episode", EPISODE), changes.pop("facts", {})
    body = {
        "kind": "assessment",
        "performed_at": moment(on, at),
        "performed_on": on,
        "athlete": {"birth_year": 2000},
        "episode": {**FACTS, **facts},
        "session_check": QUIET,
        "referral": SCREEN,
        "since_last": {"events": []},
        "setup": SETUP,
        "measurements": flat,
        "confirmed": ["sides"],
    }
    return Draft("battery", on, at, _changed(body, changes), ref, episode)


def baseline(*measurements: Any, on: str = "2026-08-01", ref: str | None = None, **changes: Any) -> Draft:
    """Return an uninjured battery."""
    draft = assessment(*measurements, on=on, ref=ref, **changes)
    gone = ("episode", "session_check", "referral", "since_last", "confirmed")
    document = {key: one for key, one in draft.document.items() if key not in gone}
    return draft._replace(document={**document, "kind": "baseline"}, episode=None)


def follow_up(follows: str, *, on: str = "2026-11-21", at: str = "08:00", **changes: Any) -> Draft:
    """Return the quiet morning after a battery."""
    draft = assessment(on=on, at=at, **changes)
    gone = ("referral", "setup", "confirmed", "since_last")
    document = {key: one for key, one in draft.document.items() if key not in gone or key in changes}
    return draft._replace(document={**document, "kind": "follow_up", "follows": follows})


def event(kind: str, on: str, at: str | None = None, ref: str | None = None, **facts: Any) -> Draft:
    """Return an event, dated or with its moment."""
    episode = facts.pop("episode", EPISODE)
    document = {"kind": kind, **facts} | ({} if at is None else {"at": moment(on, at)})
    return Draft("event", on, at or "00:00", document, ref, episode)


def resolution(finding: str, as_: str, on: str = TODAY, ref: str | None = None, episode: str = EPISODE) -> Draft:
    """Return how a named person resolved a finding."""
    return Draft("finding_resolution", on, "00:00", {"finding": finding, "as": as_}, ref, episode)


def exception(
    criterion: str, until: str, *, stage: str = GATE, on: str = "2026-11-01", ref: str | None = None
) -> Draft:
    """Return an exception."""
    return Draft("exception", on, "09:00", {"stage": stage, "criterion": criterion, "until": until}, ref)


def confirmation(battery: str, on: str = TODAY, ref: str | None = None) -> Draft:
    """Return the confirmation of a battery's sides."""
    return Draft("confirmation", on, "15:00", {"battery": battery, "confirms": ["sides"]}, ref)


def void(entry: str, on: str = TODAY, ref: str | None = None) -> Draft:
    """Return the voiding of an entry."""
    return Draft("void", on, "15:00", {"entry": entry}, ref)


def moment(on: str, at: str) -> str:
    """Return a moment as the record keeps it."""
    return f"{on}T{at}:00.000000Z"


def numbered(drafts: Sequence[Draft]) -> list[Entry]:
    """Return the drafts as a record, in their order; an entry without a name is called by its place: e1, e2."""
    return [
        Entry(
            place, one.id or f"e{place}", one.kind, one.episode, moment(one.on, one.at), date.fromisoformat(one.on),
            one.document,
        )
        for place, one in enumerate(drafts, start=1)
    ]  # fmt: skip


# What the engine makes of them


def folded(*drafts: Draft, at: str | None = None, episode: str = EPISODE) -> Evidence | None:
    """Return the evidence as posted with the last entry, or of what is stored on a date (at its end)."""
    record = numbered(drafts)
    if at is not None:
        as_of = Moment(moment(at, "23:59"), date.fromisoformat(at))
        return fold(record, episode=episode, through=len(record), as_of=as_of, posted=False)
    last = record[-1]
    as_of = Moment(last.occurred_at, last.occurred_on)
    return fold(record, episode=episode, through=len(record), as_of=as_of, posted=True)


def evidence(*drafts: Draft, at: str | None = None, episode: str = EPISODE) -> Evidence:
    """Return `folded` where there is something to judge."""
    found = folded(*drafts, at=at, episode=episode)
    assert found is not None, "there is nothing to judge"
    return found


def verdict_of(criteria: CriteriaSet, *drafts: Draft, stage: str = GATE, at: str | None = None) -> Verdict:
    """Return the verdict on a stage of a set."""
    return judge(evidence(*drafts, at=at), criteria, stage)


def reason_of(
    criterion: Mapping[str, Any],
    *drafts: Draft,
    at: str | None = None,
    tests: Mapping[str, Any] | None = None,
    **others: Mapping[str, Any],
) -> Reason:
    """Return the reason of one criterion, asked alone; `others` are criteria that it leads to."""
    criteria = small_set({"asked": criterion, **others}, asks=["asked"], tests=tests)
    return reasons_in(verdict_of(criteria, *drafts, at=at))["asked"]


def code_of(criterion: Mapping[str, Any], *drafts: Draft, **more: Any) -> str:
    """Return the code of one criterion, asked alone."""
    return reason_of(criterion, *drafts, **more).code


def reasons_in(verdict: Verdict) -> dict[str, Reason]:
    """Return the first reason of each criterion of a verdict."""
    found: dict[str, Reason] = {}
    for key, _part_of, status, code, numerator, denominator, _excepted in verdict["reasons"]:
        figure = None if numerator is None else Fraction(int(numerator), int(denominator))
        found.setdefault(key, Reason(status, code, figure))
    return found


def holds_on(criteria: CriteriaSet, *drafts: Draft, stage: str = GATE, at: str | None = None) -> list[list[str]]:
    """Return the holds of a verdict."""
    holds: list[list[str]] = verdict_of(criteria, *drafts, stage=stage, at=at)["holds"]
    return holds
