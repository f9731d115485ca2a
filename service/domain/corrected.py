"""What a battery that took the place of another no longer says of what holds: none of it goes silently."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.domain.criteria import CriteriaSet
from service.domain.metrics import LANDINGS
from service.domain.occasions import ended_by
from service.domain.record import GIVING_WAY, PAIN, Entry
from service.domain.words import EVENT_WORDS, inside, question_text, title_of

CORRECTED_AWAY = "corrected_away"


def corrected_away(line: Sequence[Entry], criteria: CriteriaSet | None) -> list[dict[str, str]]:
    """Return a flag for each referral sign, event and stop that a battery told before it was corrected.

    Args:
        line: the batteries that took the place of one another, the one that counts last.
        criteria: the set that judges it; without one any pain counts as beyond the limit, and names are those sent.
    """
    *before, now = line
    kept = dict(_told(now.document, criteria))
    lost = {text: None for one in before for key, text in _told(one.document, criteria) if key not in kept}
    return [{"code": CORRECTED_AWAY, "detail": f"taken back by a correction: {text}"} for text in lost]


def _told(document: Mapping[str, Any], criteria: CriteriaSet | None) -> Iterator[tuple[tuple[Any, ...], str]]:
    """Yield what a battery tells that would hold: what it is, to be found again, and in words."""
    for question, answer in document.get("referral", {}).items():
        if answer:
            asked = question.replace("_", " ") if criteria is None else question_text(question, criteria)
            yield ("referral", question), f'"{asked}" was answered yes'
    for event in document.get("since_last", {}).get("events", ()):
        yield ("event", event["kind"], event["on"]), f"{EVENT_WORDS[event['kind']]} on {event['on']}"
    for one in document["measurements"]:
        yield from _stops(one, criteria)


def _stops(one: Mapping[str, Any], criteria: CriteriaSet | None) -> Iterator[tuple[tuple[Any, ...], str]]:
    title = one["test"].replace("_", " ") if criteria is None else inside(title_of(one["test"], criteria))
    side, pain, limit = one.get("side"), one.get("pain"), 0 if criteria is None else criteria.pain_stay
    where, ended = title if side is None else f"{title}, {side}", ended_by(one)
    if GIVING_WAY in ended:
        yield (GIVING_WAY, one["test"], side), f"giving way in {where}"
    if PAIN in ended or (pain is not None and pain > limit):
        yield (PAIN, one["test"], side), f"pain {pain} in {where}" if pain is not None else f"pain ended {where}"
    failed = [trial for trial in one.get("trials", ()) if trial.get("invalid_because") in LANDINGS]
    for place, _trial in enumerate(failed):
        yield ("landing", one["test"], side, place), f"failed landings in {where}"
