"""A decision as a clinician reads it on one page: with its criteria set, what was signed, and how it was worked out."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from service.domain.chain import Link
from service.domain.criteria import CriteriaSet
from service.domain.evidence import Evidence
from service.domain.judging import Judging
from service.domain.record import DECISION, EXCEPTION, gone
from service.domain.standing import WITHDRAWN
from service.domain.working import working
from service.store import entries, history
from service.store.database import Tx
from service.store.task_state import SIGN_OFF
from service.use_cases.brief_decisions import today_of
from service.use_cases.context import Caller, Context
from service.use_cases.decision_view import decision_view
from service.use_cases.history import known_row
from service.use_cases.in_force import by_digest
from service.use_cases.judging_record import evidence_then
from service.use_cases.lapses import has_lapsed
from service.use_cases.reads import Seen, watched
from service.use_cases.signing import overridable
from service.use_cases.withdrawing import why_withdrawn


class Reading(NamedTuple):
    """What the page of a decision shows.

    Attributes:
        decision: as `show_decision` returns it.
        criteria: the version that judged.
        row: its refs, what has become of it, and the episode's position now.
        side: the injured side as the decision knew it; None where the record is not what it was.
        has_lapsed: whether the position has ended by its date.
        correctable: the id of the first battery of the judged occasion, which can be sent again as it should have been;
            None where nothing is judged on it, or the episode is closed.
        latest: the id of the episode's latest decision on the same stage that is not void, where that is another one.
        sign_offs: what was signed on it and counts, oldest first.
        overridable: what an override names; empty where there is none.
        exceptions: by its criterion, each exception that the decision was made with: its end, reason and who signed it.
        working: the arithmetic of each criterion by its id, empty where it was not asked for.
    """

    decision: dict[str, Any]
    criteria: CriteriaSet
    row: Mapping[str, Any]
    side: str | None
    has_lapsed: bool
    correctable: str | None
    latest: str | None
    sign_offs: list[dict[str, Any]]
    overridable: list[str]
    exceptions: dict[str, dict[str, Any]]
    working: dict[str, list[str]]


def read_decision(context: Context, caller: Caller, id_: str, *, with_working: bool = False) -> Reading:
    """Return all that the page of a decision shows.

    Raises:
        NotFoundError: there is none.
        ConflictError: erased.
    """
    today = today_of(context, caller)
    found: list[Reading] = []

    def read(tx: Tx) -> Seen:
        row = known_row(tx, caller, id_)
        chain = entries.read(tx, caller.organisation, row["athlete_id"])
        link = next(one for one in chain if one.id == id_)
        criteria = by_digest(tx, caller.organisation, link.content["verdict"]["criteria"])
        tasks = history.tasks_of(tx, caller.organisation, id_, link.content["occasion"])
        why = why_withdrawn(tx, caller, chain, link, today) if row["state"] == WITHDRAWN else None
        evidence = evidence_then(chain, link)
        decision = decision_view(link, criteria, row, tasks=tasks, today=today, withdrawn_because=why)
        found[:] = [
            Reading(
                decision,
                criteria,
                row,
                None if evidence is None else evidence.facts.involved_side,
                has_lapsed(row["position_until"], row["episode_closed_on"] or today),
                link.content["occasion"] if row["episode_closed_on"] is None else None,
                _latest(chain, link),
                [_sign_off(one) for one in _signed(chain, id_)],
                overridable(link.content["verdict"]),
                _exceptions(chain, link),
                _working(evidence, link, criteria) if with_working else {},
            )
        ]
        return Seen(decision, id_, row["athlete_id"])

    watched(context, caller, read, action="read_decision", kind=DECISION)
    return found[0]


def _latest(chain: list[Link], link: Link) -> str | None:
    stage = link.content["verdict"]["stage"]
    void = gone([one.entry for one in chain])
    same = [
        one
        for one in chain
        if one.kind == DECISION
        and one.episode == link.episode
        and one.content.get("verdict", {}).get("stage") == stage
        and one.id not in void
    ]
    latest = max(same, key=lambda one: (one.occurred_at, one.sequence), default=link)
    return None if latest.id == link.id else latest.id


def _signed(chain: list[Link], decision: str) -> list[Link]:
    taken_back = gone([one.entry for one in chain])
    return [
        one
        for one in chain
        if one.kind == SIGN_OFF and one.id not in taken_back and one.content.get("decision") == decision
    ]


def _sign_off(one: Link) -> dict[str, Any]:
    return {
        "at": one.recorded_at,
        "by": one.people.get("signed_by", {}),
        "position": None,
        "criteria_overridden": [],
        "valid_until": None,
        **one.content,
        **{key: one.people.get(key) for key in ("rationale", "conditions", "informed")},
    }


def _exceptions(chain: list[Link], link: Link) -> dict[str, dict[str, Any]]:
    verdict = link.content["verdict"]
    known = chain[: verdict["through"]]
    void = gone([one.entry for one in known])
    return {
        one.content["criterion"]: {"until": one.content["until"], "reason": None, "signed_by": {}, **one.people}
        for one in known
        if one.kind == EXCEPTION
        and (one.episode, one.content.get("stage")) == (link.episode, verdict["stage"])
        and one.content["until"] >= verdict["today"]
        and one.id not in void
    }


def _working(evidence: Evidence | None, link: Link, criteria: CriteriaSet) -> dict[str, list[str]]:
    if evidence is None:
        return {}
    judging = Judging(evidence, criteria)
    return {row[0]: working(judging, row[0]) for row in link.content["verdict"]["reasons"]}
