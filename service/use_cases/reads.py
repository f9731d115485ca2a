"""Reading about a person: every read leaves one row in the audit log, or is not answered."""

from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

from service.domain.chain import Link
from service.domain.record import BATTERY
from service.store.database import Tx
from service.use_cases.audit import note
from service.use_cases.context import CLINICIAN, Caller, Context


class Seen(NamedTuple):
    """What was read, and whom it is about; a list is about nobody in particular."""

    answer: dict[str, Any]
    object_id: str | None = None
    athlete: str | None = None
    detail: str | None = None


def watched(context: Context, caller: Caller, read: Callable[[Tx], Seen], *, action: str, kind: str) -> dict[str, Any]:
    """Return what is read, once it is noted who read it.

    The read holds no lock, and its note is a short transaction of its own. A note that can't be written fails the
    read: what nobody can account for is not shown.

    Args:
        context: the parts of the service that runs.
        caller: who reads.
        read: reads, inside a transaction.
        action: what is done, in the audit log's words.
        kind: what is read.

    Raises:
        DatabaseUnavailableError: it can't be read, or the note can't be written.
    """
    seen = context.database.read(read)
    now = context.clock()

    def write(tx: Tx) -> None:
        note(
            tx,
            caller,
            at=now,
            action=action,
            object_kind=kind,
            object_id=seen.object_id,
            athlete=seen.athlete,
            detail=seen.detail,
        )

    context.database.write(write)
    return seen.answer


def sees_all(caller: Caller) -> bool:
    """Tell whether a caller reads what others posted: a clinician does, a submitter reads own posts only."""
    return CLINICIAN in caller.roles


def may_see(caller: Caller, chain: Iterable[Link], episode: str) -> bool:
    """Tell whether a caller reads of an episode, on its athlete's record: a submitter that has posted a battery of it.

    Who reads all of the organisation reads of every episode.
    """
    own = (one for one in chain if one.kind == BATTERY and one.actor == caller.actor)
    return sees_all(caller) or any(one.episode == episode for one in own)
