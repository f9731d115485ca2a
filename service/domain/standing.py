"""What has become of a decision since: standing, expired, superseded, withdrawn or void; and the supported stage.

Computed on read from the record and today; nothing of it is stored in the decision.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from service.domain.chain import Link
from service.domain.codes import (
    EVENT_COUNTED,
    EVIDENCE_GONE,
    EXCEPTION_ENDED,
    FACTS_CHANGED,
    FINDING_OPEN,
    HOLD,
    LATE_EVIDENCE,
    MET,
    PASS,
    REFERENCE_LOST,
    SET_BACK,
    STOPPED,
)
from service.domain.criteria import CriteriaSet, Criterion
from service.domain.evidence import Evidence, Measurement, Occasion, Session, Setback, Waiver
from service.domain.fold import fold
from service.domain.holds import standing_stops, stops
from service.domain.judging import Judging
from service.domain.readings import Use
from service.domain.reasons import Row
from service.domain.record import BATTERY, CORRECTED, DECISION, EVENT, RECLASSIFIED, Entry, Moment, gone

STANDING, EXPIRED, SUPERSEDED, WITHDRAWN = "standing", "expired", "superseded", "withdrawn"
IS_VOID = "void"


@dataclass(frozen=True, slots=True)
class Standing:
    """A decision's state, and the last date on which a pass stands (None for a hold)."""

    state: str
    until: date | None


def moment_now(entries: Iterable[Entry | Link], now: str, on: date) -> Moment:
    """Return now as standings take it: what was told a few minutes ahead of our clock counts, and goes on to count.

    Args:
        entries: the record.
        now: the moment, as fixed-width UTC text.
        on: its local date.
    """
    latest = max((one.occurred_at for one in entries if one.kind != DECISION), default="")
    return Moment(max(now, latest), on)


# What evidence depends on, besides the record: episode, last entry, moment with its date, and whether it was posted.
Folded = tuple[str, int, Moment, bool]


@dataclass(frozen=True)
class History:
    """An athlete's entries as they are now, and the criteria sets of the decisions among them by digest.

    What several decisions ask of the same record is found once: `folded` may be shared between histories of one
    athlete that differ in their last entries only.
    """

    entries: Sequence[Entry]
    criteria: Callable[[str], CriteriaSet]
    now: Moment
    folded: dict[Folded, Evidence | None] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def _superseding(self) -> Mapping[str, Sequence[Entry]]:
        """Return the decisions that supersede others, by episode, in the order of as_of and sequence."""
        found: dict[str, list[Entry]] = {}
        for entry in self.entries:
            if entry.kind == DECISION and entry.document and self._supersedes(entry):
                found.setdefault(str(entry.episode), []).append(entry)
        return {episode: sorted(decisions, key=_place) for episode, decisions in found.items()}

    def _supersedes(self, decision: Entry) -> bool:
        """Tell whether a decision supersedes others: a void one does while the battery that it was posted for counts.

        Or the battery that took its place. Otherwise taking back a hold would bring back the pass before it. Of what
        was judged as stored nothing is taken back but the question, so that it goes on to supersede.
        """
        verdict = _verdict(decision)
        if decision.id not in self.gone or not verdict["posted"]:
            return True
        battery = next(one.id for one in self.entries if one.sequence == verdict["through"])
        while battery in self._replaced:
            battery = self._replaced[battery]
        return battery not in self.gone

    @cached_property
    def _replaced(self) -> Mapping[str, str]:
        """Return which battery took the place of which."""
        batteries = [one for one in self.entries if one.kind == BATTERY]
        return {one.document["supersedes"]: one.id for one in batteries if "supersedes" in one.document}

    @cached_property
    def gone(self) -> set[str]:
        """Return the ids of the entries that are void or superseded now."""
        return gone(self.entries)

    def decisions(self, episode: str) -> Sequence[Entry]:
        """Return the episode's decisions that are not void, by as_of and sequence."""
        return [one for one in self.superseding(episode) if one.id not in self.gone]

    def superseding(self, episode: str) -> Sequence[Entry]:
        """Return the episode's decisions that supersede earlier ones of their stage, by as_of and sequence."""
        return self._superseding.get(episode, ())

    def evidence(self, episode: str) -> Evidence | None:
        """Return all that the record offers for the episode now; a decision offers nothing."""
        last = max((entry.sequence for entry in self.entries if entry.kind != DECISION), default=0)
        return self.evidence_at(episode, last, self.now, posted=False)

    def evidence_at(self, episode: str, through: int, as_of: Moment, *, posted: bool) -> Evidence | None:
        """Return what the record offered at a moment, up to an entry."""
        key = (episode, through, as_of, posted)
        if key not in self.folded:
            self.folded[key] = fold(self.entries, episode=episode, through=through, as_of=as_of, posted=posted)
        return self.folded[key]


def standing(decision: Entry, history: History, *, known: Standing | None = None) -> Standing:
    """Return what has become of a decision; the first that fits of void, superseded, withdrawn, expired.

    Args:
        decision: its entry.
        history: the record.
        known: what had become of it before; until when a pass stands never changes.
    """
    judged = _Judged(decision, history)
    until = judged.stands_until() if known is None else known.until
    if decision.id in history.gone:
        return Standing(IS_VOID, until)
    if any(
        _place(other) > _place(decision) and _stage(other) == _stage(decision)
        for other in history.superseding(str(decision.episode))
    ):
        return Standing(SUPERSEDED, until)
    if judged.withdrawn_because() is not None:
        return Standing(WITHDRAWN, until)
    is_over = until is not None and history.now.on > until
    return Standing(EXPIRED if is_over else STANDING, until)


def withdrawn_because(decision: Entry, history: History) -> str | None:
    """Return the code of why a decision is withdrawn, of `codes.WITHDRAWAL_CODES`; None while nothing withdraws it."""
    return _Judged(decision, history).withdrawn_because()


def supported_stage(episode: str, history: History) -> str | None:
    """Return the highest stage with a pass that is neither void nor withdrawn and has no later hold at or below it.

    Expiry does not lower it.
    """
    decisions, later = history.decisions(episode), history.superseding(episode)
    passed: list[tuple[int, Entry]] = []
    for one in decisions:
        criteria = history.criteria(_verdict(one)["criteria"])
        level = criteria.stages.index(_stage(one))
        if _verdict(one)["outcome"] == PASS and not _has_later_hold(one, later, criteria.stages[: level + 1]):
            passed.append((level, one))
    for _level, one in sorted(passed, key=lambda found: (found[0], found[1].sequence), reverse=True):
        if withdrawn_because(one, history) is None:
            return _stage(one)
    return None


def _has_later_hold(one: Entry, decisions: Sequence[Entry], stages: Sequence[str]) -> bool:
    return any(
        _verdict(other)["outcome"] == HOLD and _stage(other) in stages and _place(other) > _place(one)
        for other in decisions
    )


def _verdict(decision: Entry) -> Mapping[str, Any]:
    verdict: Mapping[str, Any] = decision.document["verdict"]
    return verdict


def _stage(decision: Entry) -> str:
    return str(_verdict(decision)["stage"])


def _place(decision: Entry) -> tuple[str, int]:
    return _verdict(decision)["as_of"], decision.sequence


class _Judged:
    """A decision with the evidence that it saw."""

    def __init__(self, decision: Entry, history: History) -> None:
        self.decision = decision
        self.history = history
        self.verdict = _verdict(decision)
        self.criteria = history.criteria(self.verdict["criteria"])
        self.rows = [Row(*row) for row in self.verdict["reasons"]]

    @cached_property
    def evidence(self) -> Evidence:
        """Return what it saw."""
        evidence = self.history.evidence_at(
            str(self.decision.episode),
            self.verdict["through"],
            Moment(self.verdict["as_of"], self._as_of_on()),
            posted=self.verdict["posted"],
        )
        assert evidence is not None, "a decision has evidence"
        return evidence

    @cached_property
    def judging(self) -> Judging:
        """Return its evidence as its criteria read it."""
        return Judging(self.evidence, self.criteria)

    def _as_of_on(self) -> date:
        """Return the local date of as_of: that of the entry just posted, else the decision's today."""
        posted = next((one for one in self.history.entries if one.sequence == self.verdict["through"]), None)
        if self.verdict["posted"] and posted is not None:
            return posted.occurred_on
        return date.fromisoformat(self.verdict["today"])

    def stands_until(self) -> date | None:
        """Return the last date on which a pass stands: of the judged occasion, or of an exception that it needed."""
        if self.verdict["outcome"] != PASS:
            return None
        occasion = self.evidence.judged
        start = occasion.on if occasion is not None else self.evidence.today
        ends = [one.until for one in self._waivers_needed()]
        return min([start + timedelta(days=self.criteria.pass_days), *ends])

    def _waivers_needed(self) -> list[Waiver]:
        """Return for each criterion that needed one the exception in force: of several the one with the latest end."""
        needed = [row.criterion for row in self.rows if row.excepted and row.status != MET]
        known = [one for one in self.evidence.waivers if one.stage == self.verdict["stage"]]
        return [
            max((one for one in known if one.criterion == criterion), key=lambda one: one.until) for criterion in needed
        ]

    def withdrawn_because(self) -> str | None:
        """Return why it does not stand any more: something that it rests on is gone, or has come that it did not see.

        The first that fits of `codes.WITHDRAWAL_CODES`, None while nothing does.
        """
        if set(self.used()) & self.history.gone:
            return EVIDENCE_GONE
        unseen = [entry for entry in self.history.entries if entry.kind != DECISION and self._is_unseen(entry)]
        return next((code for code, fits in self._come_since(unseen) if fits), None) if unseen else None

    def _come_since(self, unseen: Sequence[Entry]) -> Iterator[tuple[str, bool]]:
        """Yield what may have come that it did not see, and whether it has."""
        yield FACTS_CHANGED, any(self._changes_facts(entry) for entry in unseen)
        now, ids = self.history.evidence(str(self.decision.episode)), {entry.id for entry in unseen}
        if now is None:
            yield EVIDENCE_GONE, True
        else:
            yield FINDING_OPEN, self._has_new_finding(now)
            yield REFERENCE_LOST, self._has_lost_reference(now)
            yield EXCEPTION_ENDED, self._has_lost_exception(now)
            yield SET_BACK, self._is_set_back(now, ids)
            yield EVENT_COUNTED, self._has_more_events(now, ids)
            yield STOPPED, self._is_stopped(now)
        yield LATE_EVIDENCE, any(self._is_late_evidence(entry) for entry in unseen)

    def _is_unseen(self, entry: Entry) -> bool:
        through: int = self.verdict["through"]
        as_of: str = self.verdict["as_of"]
        return entry.sequence > through or entry.occurred_at > as_of

    def _changes_facts(self, entry: Entry) -> bool:
        return (
            entry.kind == EVENT
            and entry.episode == self.decision.episode
            and entry.document["kind"] in (RECLASSIFIED, CORRECTED)
            and entry.id not in self.history.gone
            and entry.id not in self.evidence.fact_entries
        )

    def _is_late_evidence(self, entry: Entry) -> bool:
        """Tell whether this pass should have seen a battery, which was recorded only after it."""
        return (
            self.verdict["outcome"] == PASS
            and entry.kind == BATTERY
            and entry.episode == self.decision.episode
            and entry.occurred_at <= self.verdict["as_of"]
            and entry.id not in self.history.gone
        )

    def _has_new_finding(self, now: Evidence) -> bool:
        """Tell whether a finding holds the episode now that was not open then."""
        then = {(one.episode, one.question) for one in self.evidence.findings}
        return any((one.episode, one.question) not in then for one in now.findings)

    def _has_lost_reference(self, now: Evidence) -> bool:
        """Tell whether the other side, a reference then, belonged to an episode that was not known to be open."""
        seen = self.evidence
        unknown = [] if seen.other_side_open else set(now.other_side_spans) - set(seen.other_side_spans)
        days = [seen.today, *self._compared_on()]
        return any(begun <= day <= ended for begun, ended in unknown for day in days)

    def _has_lost_exception(self, now: Evidence) -> bool:
        """Tell whether an exception that it needed has ended."""
        return bool({one.entry for one in self._waivers_needed()} - {one.entry for one in now.waivers})

    def _is_set_back(self, now: Evidence, unseen: set[str]) -> bool:
        """Tell whether a setback that it did not see lies on or after the earliest evidence used."""
        earliest = min(self._dates_used(), default=date.min)
        return any(one.on >= earliest and one.entries <= unseen for one in (*now.setbacks, *now.events))

    def _has_more_events(self, now: Evidence, unseen: set[str]) -> bool:
        """Tell whether an event that it did not see lies in the days that a criterion of events looked at."""
        counted = [self.criteria.criteria[row.criterion] for row in self.rows]
        return any(
            event.entries <= unseen
            and event.kind in one.events
            and (self.evidence.today - event.on).days <= (one.within_days or 0)
            for one in counted
            if isinstance(one, Criterion)
            for event in now.events
        )

    def _is_stopped(self, now: Evidence) -> bool:
        """Tell whether a stop holds the gate now that did not hold it then."""
        gate = self.criteria.gate(self.verdict["stage"])
        then = [tuple(hold) for hold in self.verdict["holds"]]
        judging = Judging(now, self.criteria)
        own = next((one for one in (*now.occasions, *now.later) if self._is_judged(one)), None)
        found = [*(stops(judging, gate) if gate.reads_loading else ()), *standing_stops(judging, gate, own=own)]
        return any(hold not in then for hold in found)

    def _is_judged(self, occasion: Occasion) -> bool:
        """Tell whether an occasion is the one that was judged, perhaps with more batteries by now."""
        return self.evidence.judged is not None and occasion.key == self.evidence.judged.key

    # What it used

    def used(self) -> Iterator[str]:
        """Yield the ids of the entries that the decision rests on."""
        evidence = self.evidence
        yield from (*evidence.fact_entries, *evidence.resolution_entries, *evidence.confirmation_entries)
        yield from evidence.closing_entries
        yield from (one.entry for one in evidence.waivers if one.stage == self.verdict["stage"])
        for occasion in evidence.occasions:
            if occasion is evidence.judged or (occasion.referral and not occasion.before_reinjury):
                yield from (*occasion.batteries, *occasion.follow_ups)
        for one in self._evidence_used():
            if isinstance(one, Measurement):
                yield one.battery
            elif isinstance(one, Session):
                yield from one.batteries
            elif isinstance(one, Setback):
                yield from one.entries
            else:
                _question, _answer, occasion = one
                yield from (*occasion.batteries, *occasion.follow_ups)

    def _dates_used(self) -> Iterator[date]:
        """Yield the dates of the occasions and sessions used, baselines aside."""
        if self.evidence.judged is not None:
            yield self.evidence.judged.on
        for one in self._evidence_used():
            if isinstance(one, Measurement):
                yield from () if one.occasion is None else (one.on,)
            elif isinstance(one, Session):
                yield one.on
            elif not isinstance(one, Setback):
                yield one[2].on

    def _compared_on(self) -> Iterator[date]:
        """Yield the dates of the measurements of the other side that were compared with."""
        yield from (used.on for role, used in self._uses() if role == "other")

    def _evidence_used(self) -> Iterator[Any]:
        yield from (used for _role, used in self._uses())

    def _uses(self) -> Iterator[Use]:
        for row in self.rows:
            yield from self.judging.plain(row.criterion).reading.uses
