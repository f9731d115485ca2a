"""A decision on record with what it was made from, for those who want to see the figures and the arithmetic."""

from typing import Any, NamedTuple

from service.domain.errors import NotFoundError
from service.store import entries, history
from service.store.database import Tx
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context
from service.use_cases.evaluate import Evaluation
from service.use_cases.history import DECISION, show
from service.use_cases.in_force import by_digest
from service.use_cases.judging_record import evidence_then
from service.use_cases.reads import Seen, watched


class Recalled(NamedTuple):
    """A decision as it is answered, the ref of its athlete, and what was judged."""

    answer: dict[str, Any]
    athlete_ref: str | None
    evaluation: Evaluation


def recall(context: Context, caller: Caller, id_: str) -> Recalled:
    """Return a decision on record with what it was made from.

    Raises:
        NotFoundError: there is none, it was erased, or its record is not what it was.
    """
    today = today_of(context, caller)
    found: list[Recalled] = []

    def read(tx: Tx) -> Seen:
        rows = history.named(tx, caller.organisation, [id_])
        chain = entries.read(tx, caller.organisation, rows[0]["athlete_id"]) if rows else []
        link = next((one for one in chain if one.id == id_), None)
        evidence = evidence_then(chain, link) if link is not None else None
        if link is None or evidence is None:
            raise NotFoundError(DECISION, id_)
        criteria = by_digest(tx, caller.organisation, link.content["verdict"]["criteria"])
        evaluation = Evaluation(criteria, evidence, link.content["verdict"], link.content["advice"])
        answer = show(tx, caller, history.decision(tx, caller.organisation, id_) or {}, today)
        found[:] = [Recalled(answer, rows[0]["athlete_ref"], evaluation)]
        return Seen({}, id_, rows[0]["athlete_id"])

    watched(context, caller, read, action="read_decision", kind=DECISION)
    return found[0]
