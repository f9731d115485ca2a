"""Add one entry to an athlete's record: what all that is no battery and no decision share.

The key of the request, the lock on the athlete, the entry, the state that follows from it, and the answer with the
decisions that no longer stand because of it.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from service.domain.battery import LATENESS, canonical_value
from service.domain.canonical import canonical, digest
from service.domain.chain import Link
from service.domain.errors import INVALID_BODY, FieldError, ForbiddenError, InvalidDocumentError, NotFoundError
from service.domain.record import instant
from service.store import entries, people
from service.store.database import Tx
from service.store.idempotency import Claim, claim
from service.store.ids import new_id
from service.use_cases.context import PERSON, Caller, Context, Created
from service.use_cases.in_force import by_digest
from service.use_cases.recording import Recording, opened
from service.use_cases.withdrawing import newly_withdrawn, withdrawn_by

# Key of a document: by which version of a criteria set it was checked.
CRITERIA = "criteria"
_ON, _AT = "/on", "/at"


class Request(NamedTuple):
    """What is asked, for its retries: the route, what its address names, the body as loaded, the Idempotency-Key."""

    route: str
    names: tuple[str, ...]
    body: Mapping[str, Any]
    key: str

    def claim(self, caller: Caller) -> Claim:
        """Return the request as it is kept: one with another address is another request."""
        said = {"body": canonical_value(self.body), "names": list(self.names)}
        return Claim(caller.organisation, caller.actor, self.key, self.route, digest(canonical(said)))


@dataclass(frozen=True, slots=True)
class Addition:
    """An entry to add; what people read, and the engine does not, stands in `private`."""

    kind: str
    episode: str | None
    at: str
    on: date
    document: Mapping[str, Any]
    private: Mapping[str, Any] = field(default_factory=dict)


Find = Callable[[Tx], str]
Make = Callable[[Recording], Addition]


def append(context: Context, caller: Caller, request: Request, *, find: Find, make: Make) -> Created:
    """Add an entry to an athlete's record.

    Args:
        context: the service.
        caller: who asks.
        request: what is asked.
        find: returns the athlete.
        make: returns the entry, or refuses.

    Raises:
        KeyReusedError: the key was used for another request.
        ConflictError: the athlete was erased.
    """

    def work(tx: Tx) -> Created:
        now = context.clock()
        id_ = new_id(now)
        first = claim(tx, request.claim(caller), id_, now)
        if first is not None:
            return Created(_answered_before(tx, caller, first), first, replayed=True)
        recording = opened(tx, context, caller, find(tx))
        return Created(added(recording, make(recording), id_), id_)

    return context.database.write(work)


def added(recording: Recording, one: Addition, id_: str) -> dict[str, Any]:
    """Add an entry, write what follows from it, and return the answer."""
    link = recording.add(
        one.kind,
        id_=id_,
        episode=one.episode,
        at=one.at,
        on=one.on,
        document=one.document,
        private={key: value for key, value in one.private.items() if value is not None},
    )
    changed = recording.close()
    withdrawn = newly_withdrawn(recording.standings, changed)
    return entry_view(recording.tx, recording.caller, recording.chain, link, withdrawn)


def entry_view(tx: Tx, caller: Caller, chain: list[Link], link: Link, withdrawn: list[str]) -> dict[str, Any]:
    """Return what is answered about an entry; where it names decisions or criteria, with the caution."""
    answer = {
        "id": link.id,
        "kind": link.kind,
        "athlete_id": link.athlete,
        "episode_id": link.episode,
        "occurred_at": link.occurred_at,
        "recorded_at": link.recorded_at,
        "digest": link.digest,
        "withdrawn": withdrawn,
    }
    judged_by = link.content.get(CRITERIA) or next(
        (one.content["verdict"]["criteria"] for one in chain if one.id in withdrawn), None
    )
    if judged_by is not None:
        answer["caution"] = by_digest(tx, caller.organisation, judged_by).document["caution"]
    return answer


def _answered_before(tx: Tx, caller: Caller, id_: str) -> dict[str, Any]:
    """Return the answer that the first request of a key was given."""
    link = entries.find(tx, caller.organisation, id_)
    assert link is not None, "a claim is kept with what it made"
    chain = entries.read(tx, caller.organisation, link.athlete)
    withdrawn = withdrawn_by(tx, caller, chain, first=link.sequence, last=link.sequence)
    return entry_view(tx, caller, chain, link, withdrawn)


# Whom an address names


def of_athlete(athlete: str) -> Find:
    """Return what finds an athlete by id."""
    return lambda _tx: athlete


def of_episode(caller: Caller, episode: str) -> Find:
    """Return what finds the athlete of an episode.

    Raises (when asked):
        NotFoundError: the organisation has no such episode.
    """

    def find(tx: Tx) -> str:
        row = people.episode(tx, caller.organisation, episode)
        if row is None:
            what = "episode"
            raise NotFoundError(what, episode)
        return str(row.athlete_id)

    return find


def of_entry(caller: Caller, entry: str, kind: str | None = None) -> Find:
    """Return what finds the athlete of an entry, of a kind where one is named.

    Raises (when asked):
        NotFoundError: the organisation has no such entry.
    """

    def find(tx: Tx) -> str:
        link = entries.find(tx, caller.organisation, entry)
        if link is None or kind not in (None, link.kind):
            raise NotFoundError(kind or "entry", entry)
        return link.athlete

    return find


def entry_of(recording: Recording, id_: str) -> Link:
    """Return an entry of the record that was opened for it."""
    return next(one for one in recording.chain if one.id == id_)


# Who and when


def require_professional(caller: Caller) -> None:
    """Refuse a system, and a person without a profession: a named professional does this.

    Raises:
        ForbiddenError: the key belongs to neither.
    """
    if caller.kind != PERSON or not caller.profession:
        message = "only a person with a profession does this, with a key of their own"
        raise ForbiddenError(message)


def require_person(caller: Caller) -> None:
    """Refuse a system: a person answers for this.

    Raises:
        ForbiddenError: the key belongs to a system.
    """
    if caller.kind != PERSON:
        message = "only a person does this, with a key of their own"
        raise ForbiddenError(message)


def signed_by(caller: Caller) -> dict[str, Any]:
    """Return who signs, as they are called today: names and professions change."""
    return {"name": caller.name, "profession": caller.profession}


def moment_of(recording: Recording, body: Mapping[str, Any]) -> tuple[str, date]:
    """Return when it happened: at a moment, on a date (from its start), or now.

    Raises:
        InvalidDocumentError: it lies in the future.
    """
    if "on" in body:
        if body["on"] > recording.today:
            raise invalid(_ON, "in_the_future", f"{body['on']} lies after today, {recording.today}")
        return instant(recording.start_of(body["on"])), body["on"]
    moment = body.get("at", recording.now)
    if moment > recording.now + LATENESS:
        now = recording.now.isoformat(timespec="seconds")
        raise invalid(_AT, "in_the_future", f"this lies after now, {now}")
    return instant(moment), moment.astimezone(recording.caller.zone).date()


def place_of(body: Mapping[str, Any]) -> str:
    """Return where a body says when it happened."""
    return _ON if "on" in body else _AT


def invalid(where: str, code: str, detail: str) -> InvalidDocumentError:
    """Return one fault of a body."""
    return InvalidDocumentError(INVALID_BODY, [FieldError(f"#{where}", code, detail)])
