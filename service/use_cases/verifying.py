"""Judge a decision again from the stored record, and compare with what was decided; tell whether the record holds.

What is compared is the verdict, byte for byte. The words of the advice may be those of a newer release. Lists and the
history read the decision's row of the current state, so that this is compared with what the record says, too.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.domain.canonical import canonical, digest
from service.domain.chain import Head, Link, broken_at, head_of
from service.domain.codes import HOLD_KINDS
from service.domain.criteria import CriteriaSet
from service.domain.errors import NotFoundError, ServiceError
from service.domain.explain import advice_of
from service.domain.judge import verdict_of
from service.domain.judging import Judging
from service.domain.record import Entry, instant
from service.domain.standing import History, moment_now, supported_stage
from service.store import criteria as criteria_store
from service.store import entries, history
from service.store.database import Tx
from service.store.history import Origin
from service.store.rebuilding import Differing, differing
from service.store.state import stored_state
from service.use_cases.context import ADMINISTRATOR, Caller, Context
from service.use_cases.in_force import by_digest
from service.use_cases.judging_record import evidence_then
from service.use_cases.reads import Seen, sees_all, watched
from service.use_cases.rebuilding import state_now

IDENTICAL, SAME_VERDICT, DIFFERS, IS_ERASED = "identical", "same_verdict", "differs", "erased"
RESULTS = (IDENTICAL, SAME_VERDICT, DIFFERS, IS_ERASED)
MATCHES, NOT_COMPARED = "matches", "not_compared"
DECISION = "decision"

# What can differ beside the keys of the verdict and of the advice.
RECORD, DOCUMENT, CRITERIA, EVIDENCE = "record", "document", "criteria", "evidence"

# What can differ in the state beside the columns of the decision's row: the row itself, and the end of the record.
ROW, HEAD = "row", "head"


@dataclass(frozen=True, slots=True)
class Found:
    """What a comparison came to, and what differs."""

    result: str
    differences: tuple[str, ...] = ()


def verify_decision(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return whether a decision follows from the record as it is kept.

    Raises:
        NotFoundError: there is none, or a submitter asks for one that was made of another's post.
    """

    def read(tx: Tx) -> Seen:
        where = history.origin(tx, caller.organisation, id_)
        may_see = sees_all(caller) or ADMINISTRATOR in caller.roles
        if where is None or not (may_see or where.actor == caller.actor):
            raise NotFoundError(DECISION, id_)
        return Seen(_verified(tx, caller, id_, where, context.clock()), id_, where.athlete)

    return watched(context, caller, read, action="verify_decision", kind=DECISION)


def _verified(tx: Tx, caller: Caller, id_: str, where: Origin, now: datetime) -> dict[str, Any]:
    chain = entries.read_as_kept(tx, caller.organisation, where.athlete)
    head = entries.head(tx, caller.organisation, where.athlete) or Head(0, None)
    broken = broken_at(chain, head)
    link = next((one for one in chain[where.sequence - 1 : where.sequence] if one.id == id_), None)
    is_broken = broken is not None and broken <= where.sequence
    found = _compared(tx, caller, chain, link, is_broken=is_broken)
    state = _state(tx, caller, id_, chain, now)
    return {
        "decision_id": id_,
        "result": found.result,
        "differences": list(found.differences),
        "chain": {"intact": broken is None, "entries": len(chain), "first_broken": broken},
        "state": {"result": state.result, "differences": list(state.differences)},
        "caution": _caution(tx, caller, id_),
    }


def _caution(tx: Tx, caller: Caller, id_: str) -> Mapping[str, Any] | None:
    """Return the caution of the set that decided, None where the decision was erased or the set is not what it was."""
    row = next(iter(history.named(tx, caller.organisation, [id_])), None)
    criteria = None if row is None else _criteria(tx, caller, row["criteria_digest"])
    return None if criteria is None else criteria.document["caution"]


def _criteria(tx: Tx, caller: Caller, named: str) -> CriteriaSet | None:
    """Return the version of a digest if what is stored of it is what the digest stands for."""
    text = criteria_store.document(tx, caller.organisation, named)
    if text is None or digest(text) != named:
        return None
    return by_digest(tx, caller.organisation, named)


def _state(tx: Tx, caller: Caller, id_: str, chain: Sequence[Link], now: datetime) -> Found:
    """Compare the stored state of a decision with what its record says; one that does not hold says nothing."""
    if not chain or broken_at(chain, head_of(chain)) is not None:
        return Found(NOT_COMPARED)
    today = now.astimezone(caller.zone).date()
    rebuilt = state_now(tx, caller.organisation, chain, moment_now(chain, instant(now), today))
    stored = stored_state(tx, caller.organisation, chain[0].athlete)
    differences = tuple(dict.fromkeys(_differing_state(id_, differing(stored, rebuilt))))
    return Found(DIFFERS if differences else MATCHES, differences)


def _differing_state(id_: str, found: Iterable[Differing]) -> Iterator[str]:
    """Yield what differs of a decision's row, of the criteria that it is found by, and of where its record ends."""
    for table, key, columns in found:
        if table == "decisions" and key == (id_,):
            yield from ("hold_because" if name in HOLD_KINDS else name for name in columns or (ROW,))
        elif table == "unmet_criteria" and key[0] == id_:
            yield f"{table}/{key[1]}"
        elif table == "athletes" and not {"entries", "head_digest"}.isdisjoint(columns):
            yield HEAD


def _compared(tx: Tx, caller: Caller, chain: Sequence[Link], link: Link | None, *, is_broken: bool) -> Found:
    if link is None or (link.document is None and is_broken):
        return Found(DIFFERS, (RECORD,))
    if link.document is None:
        return Found(IS_ERASED)
    try:
        found = _judged_again(tx, caller, chain, link)
    except ServiceError:
        raise
    except Exception:
        # Whatever a changed document does to the engine, what was decided does not follow from it.
        if not is_broken:
            raise
        found = Found(DIFFERS, (EVIDENCE,))
    return Found(DIFFERS, (RECORD, *found.differences)) if is_broken else found


def _judged_again(tx: Tx, caller: Caller, chain: Sequence[Link], link: Link) -> Found:
    said = link.content
    verdict = said["verdict"]
    criteria = _criteria(tx, caller, verdict["criteria"])
    if criteria is None:
        return Found(DIFFERS, (CRITERIA,))
    evidence = evidence_then(chain, link)
    if evidence is None:
        return Found(DIFFERS, (EVIDENCE,))
    judging = Judging(evidence, criteria)
    again = verdict_of(judging, verdict["stage"])
    if canonical(again) != canonical(verdict):
        return Found(DIFFERS, tuple(_differing(verdict, again)))
    before = [one.entry for one in chain[: link.sequence - 1]]
    supported = _supported(tx, caller, before, link, again)
    advice = advice_of(again, judging, supported_stage=supported)
    if canonical(advice) != canonical(said["advice"]):
        return Found(SAME_VERDICT, tuple(f"advice/{key}" for key in _keys(said["advice"], advice)))
    return Found(IDENTICAL)


def _supported(tx: Tx, caller: Caller, before: Sequence[Entry], link: Link, verdict: Mapping[str, Any]) -> str | None:
    """Return the supported stage as it was: from the record up to this decision, at the moment it was recorded."""
    on = datetime.fromisoformat(link.recorded_at).astimezone(caller.zone).date()
    now = moment_now(before, link.recorded_at, on)
    own = Entry(
        link.sequence, link.id, link.kind, link.episode, link.occurred_at, link.occurred_on, {"verdict": verdict}
    )
    known = History([*before, own], lambda named: by_digest(tx, caller.organisation, named), now)
    return supported_stage(str(link.episode), known)


def _differing(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    """Yield the keys of a verdict that differ, and of its reasons the criteria."""
    for key in _keys(before, after):
        if key == "reasons":
            criteria = _keys(_by_criterion(before), _by_criterion(after))
            yield from (f"reasons/{one}" for one in criteria) if criteria else (key,)
        else:
            yield key


def _by_criterion(verdict: Mapping[str, Any]) -> dict[str, list[Any]]:
    rows: dict[str, list[Any]] = {}
    for row in verdict["reasons"]:
        rows.setdefault(row[0], []).append(list(row))
    return rows


def _keys(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Return the keys under which two maps differ, whatever the types of lists."""
    names = sorted({*before, *after})
    return [key for key in names if canonical(before.get(key)) != canonical(after.get(key))]
