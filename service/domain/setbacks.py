"""What sets an athlete back: events told, giving way in trials, confirmed findings; and what each cancels."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from service.domain.evidence import Finding, Occasion, Setback
from service.domain.record import BATTERY, CONFIRMED, EVENT, GIVING_WAY, RE_INJURY, RESOLUTION, SETBACKS, Entry


def told(entry: Entry, what: str) -> Sequence[Mapping[str, Any]]:
    """Return the events or sessions that a battery tells in `since_last`."""
    found: Sequence[Mapping[str, Any]] = ()
    if entry.kind == BATTERY:
        found = entry.document.get("since_last", {}).get(what, ())
    return found


def events_of(own: Sequence[Entry], occasions: Sequence[Occasion]) -> list[Setback]:
    """Return the episode's setbacks that were told, and giving way in trials."""
    return [*_recorded(own, occasions), *_told_in_assessments(own, occasions), *_in_trials(occasions)]


def _recorded(own: Sequence[Entry], occasions: Sequence[Occasion]) -> Iterator[Setback]:
    """Yield event entries and what follow-ups tell: each stands for itself and lies after its date's measurements."""
    assessments = {battery for occasion in occasions for battery in occasion.batteries}
    for entry in own:
        if entry.kind == EVENT and entry.document["kind"] in SETBACKS:
            moment = entry.document.get("at")
            yield Setback(entry.document["kind"], entry.occurred_on, frozenset([entry.id]), moment)
        if entry.id not in assessments:
            for one in told(entry, "events"):
                yield Setback(one["kind"], date.fromisoformat(one["on"]), frozenset([entry.id]))


def _told_in_assessments(own: Sequence[Entry], occasions: Sequence[Occasion]) -> Iterator[Setback]:
    """Yield each (kind, date) that assessments tell, once, at the first occasion that tells it."""
    places = {battery: place for place, occasion in enumerate(occasions) for battery in occasion.batteries}
    tellings: dict[tuple[str, str], list[str]] = {}
    for entry in own:
        for one in told(entry, "events") if entry.id in places else ():
            tellings.setdefault((one["kind"], one["on"]), []).append(entry.id)
    for (kind, on), entries in tellings.items():
        telling = min(places[entry] for entry in entries)
        yield Setback(kind, date.fromisoformat(on), frozenset(entries), telling=telling)


def _in_trials(occasions: Sequence[Occasion]) -> Iterator[Setback]:
    for occasion in occasions:
        for one in occasion.attempts:
            if GIVING_WAY in one.ended_by:
                moment, entries = one.performed_at, frozenset([one.battery])
                yield Setback(GIVING_WAY, occasion.on, entries, moment, test=one.test, occasion=occasion)


def findings_of(episode: str, entries: Sequence[Entry]) -> tuple[list[Finding], list[Setback]]:
    """Return an episode's open findings, and a setback for each that was confirmed, from the date it was raised.

    Entries come in the order of recording: a named person resolves what is known then, and a yes recorded later
    opens the finding anew.
    """
    raised: dict[str, Finding] = {}
    is_open: dict[str, bool] = {}
    confirmed: list[Setback] = []
    for entry in entries:
        if entry.episode != episode:
            continue
        for question, answer in entry.document.get("referral", {}).items() if entry.kind == BATTERY else ():
            if answer:
                raised[question] = _raise(raised[question] if is_open.get(question) else None, question, entry)
                is_open[question] = True
        if entry.kind == RESOLUTION and (entry.document["finding"] in raised or entry.document["as"] == CONFIRMED):
            finding = raised.setdefault(entry.document["finding"], _confirmed(entry))
            is_open[finding.question] = entry.document["as"] == CONFIRMED
            if is_open[finding.question]:
                confirmed.append(Setback(CONFIRMED, finding.raised_on, frozenset([entry.id])))
    return [finding for question, finding in raised.items() if is_open[question]], confirmed


def _confirmed(entry: Entry) -> Finding:
    """Return a finding that a person confirmed: it does not go with the battery that told it."""
    return Finding(entry.document["finding"], entry.occurred_on, entry.id, str(entry.episode))


def _raise(known: Finding | None, question: str, entry: Entry) -> Finding:
    """Return a finding with one more yes; it counts as raised on the latest date on which it was told."""
    if known is not None and known.raised_on >= entry.occurred_on:
        return known
    return Finding(question, entry.occurred_on, entry.id, str(entry.episode))


def cancel(occasions: Sequence[Occasion], setbacks: Sequence[Setback]) -> None:
    """Note on each occasion whether a setback, or a re-injury, came after it."""
    for place, occasion in enumerate(occasions):
        for setback in setbacks:
            if setback.cancels(occasion, place):
                occasion.cancelled = True
                occasion.before_reinjury |= setback.kind == RE_INJURY
