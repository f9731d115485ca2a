"""An athlete's record over time: the athlete with every episode, and one episode with all that happened in it."""

from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Any

from service.domain import record
from service.domain.chain import Link
from service.domain.criteria import CriteriaSet
from service.domain.errors import NotFoundError
from service.domain.evidence import Evidence
from service.domain.fold import fold
from service.domain.record import Moment, gone, instant
from service.domain.standing import History, supported_stage
from service.store import entries, history, people, tasks
from service.store.database import Tx
from service.store.task_state import SIGN_OFF, closed_on
from service.use_cases.brief_decisions import brief, cautions
from service.use_cases.context import Caller, Context
from service.use_cases.in_force import by_digest
from service.use_cases.lapses import has_lapsed, lapses
from service.use_cases.reads import Seen, watched
from service.use_cases.retests import task_view
from service.use_cases.timeline import Names, person_of, timeline

ATHLETE, EPISODE = "athlete", "episode"
_PERSON = ("birth_year", "birth_month", "sex", "dominant_leg")
_DATED_FACTS = ("leg_length", "body_mass")


def show_athlete(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return an athlete with every episode.

    Raises:
        NotFoundError: there is none.
    """
    return _athlete(context, caller, lambda _tx: id_, id_)


def find_athlete(context: Context, caller: Caller, ref: str) -> dict[str, Any]:
    """Return the athlete of a ref.

    Raises:
        NotFoundError: there is none.
    """
    return _athlete(context, caller, lambda tx: people.athlete_of_ref(tx, caller.organisation, ref), ref)


def _athlete(context: Context, caller: Caller, id_of: Callable[[Tx], str | None], name: str) -> dict[str, Any]:
    now = context.clock()

    def read(tx: Tx) -> Seen:
        id_ = id_of(tx)
        row = None if id_ is None else people.athlete(tx, caller.organisation, id_)
        if row is None:
            raise NotFoundError(ATHLETE, name)
        answer = athlete_view(Looking(tx, caller, now, row.id), row)
        return Seen(answer, row.id, row.id)

    return watched(context, caller, read, action="read_athlete", kind=ATHLETE)


def show_episode(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return an episode with all that happened in it.

    Raises:
        NotFoundError: there is none.
    """
    now = context.clock()

    def read(tx: Tx) -> Seen:
        row = people.episode(tx, caller.organisation, id_)
        if row is None:
            raise NotFoundError(EPISODE, id_)
        answer = episode_view(Looking(tx, caller, now, row.athlete_id), row)
        return Seen(answer, id_, row.athlete_id)

    return watched(context, caller, read, action="read_episode", kind=EPISODE)


@dataclass(frozen=True)
class Looking:
    """One athlete's record, read once for all that is shown of it."""

    tx: Tx
    caller: Caller
    now: datetime
    athlete: str

    @property
    def today(self) -> date:
        """Return today in the organisation's zone."""
        return self.now.astimezone(self.caller.zone).date()

    @cached_property
    def chain(self) -> list[Link]:
        """Return the athlete's entries."""
        return entries.read(self.tx, self.caller.organisation, self.athlete)

    @cached_property
    def gone(self) -> set[str]:
        """Return the ids of the entries that are void or superseded."""
        return gone([one.entry for one in self.chain])

    @cached_property
    def history(self) -> History:
        """Return the record as it is now; a battery may lie a few minutes ahead of our clock, and counts."""
        latest = max((one.occurred_at for one in self.chain if one.kind == record.BATTERY), default="")
        now = Moment(max(instant(self.now), latest), self.today)
        known = [one.entry for one in self.chain]
        return History(known, lambda digest: by_digest(self.tx, self.caller.organisation, digest), now)

    @cached_property
    def actors(self) -> dict[str, dict[str, Any]]:
        """Return who recorded the entries, by id."""
        return people.actors_named(self.tx, self.caller.organisation, [one.actor for one in self.chain])

    def evidence(self, episode: str) -> Evidence | None:
        """Return what the record says of an episode now; None where no battery of it counts."""
        return fold(
            [one.entry for one in self.chain],
            episode=episode,
            through=len(self.chain),
            as_of=Moment(instant(self.now), self.today),
            posted=False,
        )

    def criteria(self, own: Iterable[Link]) -> CriteriaSet | None:
        """Return the version that judged last of these entries, None where none did."""
        decided = [one for one in own if one.kind == record.DECISION and one.content]
        return self.history.criteria(decided[-1].content["verdict"]["criteria"]) if decided else None

    def timeline(self, own: Sequence[Link], criteria: CriteriaSet | None) -> list[dict[str, Any]]:
        """Return an episode's entries as people read them, and where a position ended by itself."""
        counting = [one for one in own if one.id not in self.gone]
        ended = lapses(counting, Names(criteria), closed_on(counting) or self.today, self.caller.zone)
        told = timeline(own, self.gone, self.actors, criteria)
        return sorted([*ended, *told], key=lambda one: one["occurred_at"])

    def of(self, id_: str) -> Link:
        """Return an entry."""
        return next(one for one in self.chain if one.id == id_)


def athlete_view(looking: Looking, row: Any) -> dict[str, Any]:
    """Return an athlete as it is shown."""
    tx, caller = looking.tx, looking.caller
    episodes = people.episodes_of(tx, caller.organisation, row.id)
    ids = [one.id for one in episodes]
    current = [one.current_decision_id for one in episodes if one.current_decision_id]
    latest = history.named(tx, caller.organisation, current)
    findings = people.findings_of(tx, caller.organisation, ids)
    due = tasks.open_of(tx, caller.organisation, ids)
    return {
        "id": row.id,
        "ref": row.ref,
        **{name: getattr(row, name) for name in _PERSON},
        **_dated_facts(looking),
        "entries": row.entries,
        "head_digest": row.head_digest,
        "erased_at": None if row.erased_at is None else instant(row.erased_at),
        "episodes": [_in_short(looking, one, latest, findings, due) for one in episodes],
        "cautions": cautions(tx, caller, latest),
    }


def _dated_facts(looking: Looking) -> dict[str, Any]:
    """Return the latest leg lengths and body mass that were told; a battery that is gone tells nothing."""
    told: dict[str, Any] = dict.fromkeys(_DATED_FACTS)
    for one in looking.chain:
        if one.kind == record.BATTERY and one.id not in looking.gone:
            told |= {key: fact for key, fact in one.content.get(ATHLETE, {}).items() if key in _DATED_FACTS}
    return told


def _in_short(
    looking: Looking,
    row: Any,
    latest: Iterable[Mapping[str, Any]],
    findings: Iterable[Any],
    due: Iterable[Mapping[str, Any]],
) -> dict[str, Any]:
    """Return an episode as it stands in an athlete's answer."""
    current = next((one for one in latest if one["id"] == row.current_decision_id), None)
    return {
        **facts_of(looking, row),
        "open_findings": [
            finding_view(looking, one) for one in findings if one.episode_id == row.id and one.resolved_by is None
        ],
        "open_tasks": [task_view(one, looking.today) for one in due if one["episode_id"] == row.id],
        "latest_decision": None if current is None else brief(current, looking.today),
    }


def episode_view(looking: Looking, row: Any) -> dict[str, Any]:
    """Return an episode as it is shown."""
    tx, caller = looking.tx, looking.caller
    own = [one for one in looking.chain if one.episode == row.id]
    decided = [one.id for one in own if one.kind == record.DECISION and one.content]
    rows = history.named(tx, caller.organisation, decided)
    current = next((one for one in rows if one["id"] == row.current_decision_id), None)
    return {
        **facts_of(looking, row),
        "athlete_id": row.athlete_id,
        "findings": [finding_view(looking, one) for one in people.findings_of(tx, caller.organisation, [row.id])],
        "exceptions": exceptions_view(looking, own),
        "open_tasks": [task_view(one, looking.today) for one in tasks.open_of(tx, caller.organisation, [row.id])],
        "latest_decision": None if current is None else brief(current, looking.today),
        "timeline": looking.timeline(own, looking.criteria(own)),
        "cautions": cautions(tx, caller, rows),
    }


def facts_of(looking: Looking, row: Any) -> dict[str, Any]:
    """Return an episode's facts in force, its position, and beside it what the decisions on record support."""
    supported = supported_stage(row.id, looking.history)
    return {
        "id": row.id,
        "ref": row.ref,
        "condition": row.condition,
        "involved_side": row.involved_side,
        "onset_on": row.onset_on,
        "other_side": row.other_side,
        "recurrence_of": row.recurrence_of,
        "closed_on": None if row.closed_on is None else row.closed_on.isoformat(),
        "position": _position(looking, row),
        "supported_stage": supported,
        "step_back_proposed": _is_step_back(looking, row, supported),
    }


def _position(looking: Looking, row: Any) -> dict[str, Any] | None:
    """Return where a named person has put the athlete, None where nobody has."""
    if row.stage is None and row.participation is None:
        return None
    until: date | None = row.position_until
    signed = [
        one
        for one in looking.chain
        if one.kind == SIGN_OFF and one.episode == row.id and one.id not in looking.gone and one.content.get("position")
    ]
    said = signed[-1] if signed else None
    return {
        "stage": row.stage,
        "participation": row.participation,
        "until": None if until is None else until.isoformat(),
        "lapsed": has_lapsed(until, row.closed_on or looking.today),
        "determination": None if said is None else said.content.get("determination"),
        "set_at": None if said is None else said.recorded_at,
        "set_by": None if said is None else person_of(said, looking.actors[said.actor]),
        "conditions": None if said is None else said.people.get("conditions"),
    }


def _is_step_back(looking: Looking, row: Any, supported: str | None) -> bool:
    """Tell whether the decisions on record support less than the position of an open episode; without one never."""
    decided = looking.history.decisions(row.id)
    if row.stage is None or row.closed_on is not None or not decided:
        return False
    stages = looking.history.criteria(decided[-1].document["verdict"]["criteria"]).stages
    if row.stage not in stages:
        return False
    return supported not in stages or stages.index(supported) < stages.index(row.stage)


def finding_view(looking: Looking, row: Any) -> dict[str, Any]:
    """Return a finding with who resolved it, as far as somebody has."""
    raised = looking.of(row.raised_by)
    return {
        "finding": row.finding,
        "raised_on": raised.occurred_on.isoformat(),
        "raised_by": row.raised_by,
        "resolved": None if row.resolved_by is None else _resolution(looking, looking.of(row.resolved_by)),
    }


def _resolution(looking: Looking, link: Link) -> dict[str, Any]:
    return {
        "as": link.content["as"],
        "on": link.occurred_on.isoformat(),
        "by": person_of(link, looking.actors[link.actor]),
        "rationale": link.people.get("rationale"),
        "entry_id": link.id,
    }


def exceptions_view(looking: Looking, own: Sequence[Link]) -> list[dict[str, Any]]:
    """Return an episode's exceptions, each with whether it is in force: its date and another injury end it."""
    excepted = [one for one in own if one.kind == record.EXCEPTION and one.content]
    now = looking.history.evidence(str(excepted[0].episode)) if excepted else None
    counting = set() if now is None else {one.entry for one in now.waivers}
    return [_exception(looking, one, counting) for one in excepted]


def _exception(looking: Looking, link: Link, counting: Container[str]) -> dict[str, Any]:
    until = date.fromisoformat(link.content["until"])
    return {
        "id": link.id,
        "stage": link.content["stage"],
        "criterion": link.content["criterion"],
        "until": until.isoformat(),
        "in_force": link.id in counting and looking.today <= until,
        "reason": link.people.get("reason"),
        "by": person_of(link, looking.actors[link.actor]),
        "recorded_at": link.recorded_at,
    }
