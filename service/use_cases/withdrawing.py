"""Which decisions no longer stand because of an entry: the same when asked as it was recorded, and when asked later."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from service.domain.chain import Link
from service.domain.record import DECISION
from service.domain.standing import (
    EXPIRED,
    IS_VOID,
    STANDING,
    WITHDRAWN,
    History,
    Standing,
    moment_now,
    standing,
    withdrawn_because,
)
from service.store.database import Tx
from service.use_cases.context import Caller
from service.use_cases.in_force import by_digest


def newly_withdrawn(before: Mapping[str, Standing], changed: Mapping[str, Standing]) -> list[str]:
    """Return the decisions that stood and are withdrawn now, and those that were made void."""
    return sorted(key for key, one in changed.items() if _is_newly(one.state, before.get(key)))


def _is_newly(state: str, before: Standing | None) -> bool:
    if state == IS_VOID:
        return before is not None and before.state != IS_VOID
    return state == WITHDRAWN and _stood(before)


def withdrawn_by(tx: Tx, caller: Caller, chain: Sequence[Link], *, first: int, last: int) -> list[str]:
    """Return the decisions that the entries from one sequence to another withdrew, as it was answered then.

    Args:
        tx: the transaction.
        caller: who asks.
        chain: the athlete's entries, none of them erased.
        first: the first sequence.
        last: the last one.
    """
    before = _standings(tx, caller, chain[: first - 1], chain[last - 1])
    return newly_withdrawn(before, _standings(tx, caller, chain[:last], chain[last - 1]))


def why_withdrawn(tx: Tx, caller: Caller, chain: Sequence[Link], decision: Link, today: date) -> str | None:
    """Return the code of why a decision on record is withdrawn, as its record is now; None where it is not."""
    return withdrawn_because(decision.entry, _history(tx, caller, chain, decision.recorded_at, today))


def _standings(tx: Tx, caller: Caller, chain: Sequence[Link], last: Link) -> dict[str, Standing]:
    on = datetime.fromisoformat(last.recorded_at).astimezone(caller.zone).date()
    known = _history(tx, caller, chain, last.recorded_at, on)
    return {one.id: standing(one.entry, known) for one in chain if one.kind == DECISION and one.content}


def _history(tx: Tx, caller: Caller, chain: Sequence[Link], now: str, on: date) -> History:
    moment = moment_now(chain, now, on)
    return History([one.entry for one in chain], lambda digest: by_digest(tx, caller.organisation, digest), moment)


def _stood(one: Standing | None) -> bool:
    return one is not None and one.state in {STANDING, EXPIRED}
