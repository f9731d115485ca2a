"""Whom a battery is about: the sender's refs of athlete, episode and other batteries, as our ids."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain import record
from service.domain.catalogue import BOTH
from service.domain.chain import Link
from service.domain.errors import INVALID_BATTERY, ConflictError, FieldError, InvalidDocumentError
from service.store import people
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import CLINICIAN, Caller

UNKNOWN_ATHLETE, UNKNOWN_EPISODE = "unknown_athlete", "unknown_episode"
CONFLICTS, REF_TAKEN = "conflicts", "ref_taken"
NEW_ATHLETE, NEW_EPISODE = "athlete", "episode"
_IDENTITY = ("birth_year", "sex")
_FACTS = ("condition", "involved_side", "onset_on", "other_side")
_MENDED_BY = dict.fromkeys(_FACTS, "an event `corrected`") | {"condition": "an event `reclassified`"}


@dataclass(frozen=True, slots=True)
class Subject:
    """The athlete and the episode of a battery by id, and which of them did not exist before."""

    athlete: str
    episode: str | None
    created: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Revision:
    """Which batteries a battery names, by id, and how many of its ref were there before, itself included."""

    names: Mapping[str, str]
    number: int


def subject_of(tx: Tx, caller: Caller, body: Mapping[str, Any], now: datetime, *, is_kept: bool = True) -> Subject:
    """Return whom a battery is about; a new athlete is made where the sender says so, and nothing else is kept.

    Raises:
        InvalidDocumentError: unknown_athlete or unknown_episode, without `new`.
        ConflictError: the episode belongs to another athlete.
    """
    athlete = people.athlete_of_ref(tx, caller.organisation, body["athlete"]["ref"])
    created: list[str] = []
    if athlete is None:
        _ask_for_new(body["athlete"], "athlete", UNKNOWN_ATHLETE)
        made = new_id(now)
        athlete = people.make_athlete(tx, caller.organisation, made, body["athlete"]["ref"]) if is_kept else made
        created += [NEW_ATHLETE] if athlete == made else []
    episode: str | None = None
    if "episode" in body:
        row = people.episode_of_ref(tx, caller.organisation, body["episode"]["ref"])
        if row is None:
            _ask_for_new(body["episode"], "episode", UNKNOWN_EPISODE)
            created.append(NEW_EPISODE)
        elif row.athlete_id != athlete:
            detail = "this episode belongs to another athlete; look at both refs"
            raise _conflict(detail, at="#/episode/ref")
        episode = new_id(now) if row is None else row.id
    return Subject(athlete, episode, tuple(created))


def _ask_for_new(one: Mapping[str, Any], what: str, code: str) -> None:
    if not one.get("new", False):
        detail = f"no {what} has the ref {one['ref']!r}; mend the ref, or send `new`: true to make this {what}"
        raise InvalidDocumentError(code, [FieldError(f"#/{what}/ref", "unknown_name", detail)])


def identity_conflicts(told: Mapping[str, Any], sent: Mapping[str, Any]) -> Iterator[FieldError]:
    """Yield what is said of the person that differs from what is on record, which is not for every sender to read."""
    for name in _IDENTITY:
        known = told.get(name)
        if known is not None and name in sent and sent[name] != known:
            detail = f"{sent[name]} differs from what is on record; supersede the battery that says otherwise"
            yield FieldError(f"#/athlete/{name}", CONFLICTS, detail)


def fact_conflicts(in_force: Sequence[Mapping[str, Any]], sent: Mapping[str, Any]) -> Iterator[FieldError]:
    """Yield the facts of an episode that are those in force neither then nor now, and what corrects them."""
    for name in _FACTS:
        if in_force and all(sent[name] != facts[name] for facts in in_force):
            detail = f"{sent[name]} differs from {in_force[-1][name]} in force; {_MENDED_BY[name]} changes it"
            yield FieldError(f"#/episode/{name}", CONFLICTS, detail)


def open_conflicts(
    known: Mapping[str, Mapping[str, Any]], sent: Mapping[str, Any], recurrence_of: str | None
) -> Iterator[FieldError]:
    """Yield what speaks against a new episode: one like it is open, so that the ref is probably mistyped.

    Args:
        known: the athlete's episodes by id, as they are now.
        sent: the facts of the new one.
        recurrence_of: the episode of which it is said to be a recurrence.
    """
    before = set(_line_of(known, recurrence_of))
    if any(_is_alike(one, sent) and key not in before for key, one in known.items()):
        detail = (
            "this athlete has an open episode of this condition and side; mend the ref if it is that one, "
            "else name it in `recurrence_of`, or close it first"
        )
        yield FieldError("#/episode/ref", CONFLICTS, detail)


def _line_of(known: Mapping[str, Mapping[str, Any]], recurrence_of: str | None) -> Iterator[str]:
    """Yield an episode and those that it is a recurrence of in its turn."""
    while recurrence_of is not None:
        yield recurrence_of
        recurrence_of = known[recurrence_of]["recurrence_of"]


def _is_alike(one: Mapping[str, Any], sent: Mapping[str, Any]) -> bool:
    is_same_side = (
        BOTH in {one["involved_side"], sent["involved_side"]} or one["involved_side"] == sent["involved_side"]
    )
    return one["closed_on"] is None and one["condition"] == sent["condition"] and is_same_side


def _conflict(detail: str, *, at: str, code: str = CONFLICTS, link: str | None = None) -> ConflictError:
    return ConflictError(code, detail, errors=[FieldError(at, CONFLICTS, detail)], link=link)


def revision_of(tx: Tx, caller: Caller, body: Mapping[str, Any], chain: Sequence[Link]) -> Revision:
    """Return which batteries of the athlete a battery names.

    Raises:
        InvalidDocumentError: it names none of them.
        ConflictError: ref_taken; what it supersedes was superseded before.
    """
    batteries = {one.id: one for one in chain if one.kind == record.BATTERY}
    own = {key: one for key, one in batteries.items() if CLINICIAN in caller.roles or one.actor == caller.actor}
    replaced = {one.content["supersedes"]: one.id for one in batteries.values() if "supersedes" in one.content}
    asked = {"supersedes": own, "follows": batteries}
    names = {key: _named(tx, caller, known, body, key) for key, known in asked.items() if key in body}
    if names.get("supersedes") in replaced and "id" in body["supersedes"]:
        newer = replaced[names["supersedes"]]
        detail = "this battery was superseded before; look at the newer one, and supersede that if need be"
        raise _conflict(detail, at="#/supersedes", link=f"/v1/batteries/{newer}")
    names = {key: _current(one, replaced) for key, one in names.items()}
    return Revision(names, _number(tx, caller, body, names.get("supersedes")))


def _named(tx: Tx, caller: Caller, batteries: Mapping[str, Link], body: Mapping[str, Any], key: str) -> str:
    sent = body[key]
    if "ref" in sent:
        found = [row.id for row in people.batteries_of_ref(tx, caller.organisation, sent["ref"])]
    else:
        found = [str(sent["id"]).lower()]
    known: str | None = next((one for one in found if one in batteries), None)
    if known is None:
        what = (
            "no battery of this athlete that you may correct" if key == "supersedes" else "no battery of this athlete"
        )
        detail = f"{next(iter(sent.values()))!r} names {what}"
        raise InvalidDocumentError(INVALID_BATTERY, [FieldError(f"#/{key}", "unknown_name", detail)])
    return known


def _current(battery: str, replaced: Mapping[str, str]) -> str:
    while battery in replaced:
        battery = replaced[battery]
    return battery


def _number(tx: Tx, caller: Caller, body: Mapping[str, Any], supersedes: str | None) -> int:
    """Return the revision of a battery: one more than the latest of its ref, which it must supersede."""
    if "ref" not in body:
        return 1
    taken = people.batteries_of_ref(tx, caller.organisation, body["ref"])
    if taken and taken[0].id != supersedes:
        detail = f"{body['ref']!r} is the ref of another battery; give this one its own, or say what it supersedes"
        raise _conflict(detail, at="#/ref", code=REF_TAKEN, link=f"/v1/batteries/{taken[0].id}")
    return taken[0].revision + 1 if taken else 1
