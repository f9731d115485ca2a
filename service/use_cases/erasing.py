"""Erase an athlete: refs, names and free text, or all that was recorded; the chain stays, and still verifies."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.domain.chain import DEFAULT, ERASURE, FULL
from service.domain.errors import ConflictError
from service.store import entries
from service.store.database import Tx
from service.store.idempotency import claim
from service.store.ids import new_id
from service.use_cases.appending import Addition, Request, added, entry_view, moment_of, require_person
from service.use_cases.context import Caller, Context, Created
from service.use_cases.recording import ERASED, Recording, opened

ROUTE = "POST /v1/athletes/{id}/erasure"
_ERASES: Mapping[str, tuple[str, ...]] = {DEFAULT: ("private",), FULL: ("private", "document", "salt")}


def erase_athlete(context: Context, caller: Caller, athlete: str, body: Mapping[str, Any], key: str) -> Created:
    """Erase an athlete; `body` is what `schemas.appending.ErasureSchema` loads.

    A full erasure may follow a default one. Nothing can be added afterwards, and the refs are free for others.

    Raises:
        ForbiddenError: the caller is no person.
        NotFoundError: there is no such athlete.
        ConflictError: erased, as far as this goes, before.
    """
    require_person(caller)
    request = Request(ROUTE, (athlete,), body, key)

    def work(tx: Tx) -> Created:
        now = context.clock()
        id_ = new_id(now)
        first = claim(tx, request.claim(caller), id_, now)
        if first is not None:
            link = entries.find(tx, caller.organisation, first)
            assert link is not None, "a claim is kept with what it made"
            return Created(entry_view(tx, caller, [], link, []), first, replayed=True)
        recording = opened(tx, context, caller, athlete, is_erasing=True)
        _refuse_again(recording, body["scope"])
        return Created(_erased(recording, id_, body), id_)

    made = context.database.write(work)
    context.database.settle()
    return made


def _refuse_again(recording: Recording, scope: str) -> None:
    done = [one.content.get("scope") for one in recording.chain if one.kind == ERASURE]
    if FULL in done or scope in done:
        message = f"this athlete was erased before ({', '.join(map(str, done))}); there is nothing more to erase"
        raise ConflictError(ERASED, message)


def _erased(recording: Recording, id_: str, body: Mapping[str, Any]) -> dict[str, Any]:
    columns = _ERASES[body["scope"]]
    # What follows from the record from now on is made of what is left of it.
    blank: dict[str, Any] = dict.fromkeys(columns)
    recording.chain = [replace(one, **blank) for one in recording.chain]
    at, on = moment_of(recording, {})
    private = {"reason": body["reason"]}
    answer = added(recording, Addition(ERASURE, None, at, on, {"scope": body["scope"]}, private), id_)
    before = recording.head.entries
    entries.erase(recording.tx, recording.caller.organisation, recording.athlete, before=before, columns=columns)
    return answer
