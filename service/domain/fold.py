"""Entries of an athlete's record -> evidence for one episode at one moment.

Posting, replay, examples, `evaluate` and impact all read the record through `fold`. It knows no criteria set, so two
versions can be judged on the same fold.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.domain.evidence import (
    Evidence,
    Facts,
    Finding,
    Measurement,
    Occasion,
    Session,
    Setback,
    Waiver,
)
from service.domain.occasions import occasions_of, read_measurement
from service.domain.record import (
    BASELINE,
    BATTERY,
    CLOSED,
    CONFIRMATION,
    CONFIRMED,
    CORRECTED,
    EVENT,
    EXCEPTION,
    FOLLOW_UP,
    MEASURED,
    RE_INJURY,
    RECLASSIFIED,
    RESOLUTION,
    SETBACKS,
    Entry,
    Moment,
    first_day,
    gone,
    last_day,
    line_of,
)
from service.domain.setbacks import cancel, events_of, findings_of, told

_PLACE_AND_TIME = {"involved_side", "onset_on"}
_LIMB = {"involved_side", "condition"}


def fold(entries: Iterable[Entry], *, episode: str, through: int, as_of: Moment, posted: bool) -> Evidence | None:
    """Return the evidence that the record offers for an episode.

    Args:
        entries: the athlete's entries, in any order; those after `through` are not read.
        episode: the id of the episode.
        through: the sequence of the last entry that counts.
        as_of: the moment judged; what occurred later does not count.
        posted: whether the entry at `through` was just posted and is judged as such.

    Returns:
        The evidence, or None where there is nothing to judge: the entry just posted is a follow-up of an occasion
        that is not the episode's latest, or the episode has no battery.
    """
    live = _live(sorted(entries, key=lambda entry: entry.sequence), through, as_of, posted=posted)
    own = live.of(episode)
    facts = live.facts(episode)
    if facts is None:
        return None
    occasions = occasions_of(own, live.current, (*facts.involved, None))
    judged = _judged(occasions, live, through) if posted else (occasions[-1] if occasions else None)
    if posted and judged is None:
        return None
    today = judged.on if posted and judged is not None else as_of.on
    others = live.others(episode)
    return _Folding(live, own, episode, facts, others, occasions, judged, today, as_of, through, posted).evidence()


@dataclass(frozen=True, slots=True)
class _Live:
    """The entries that count, what corrects an episode's facts, and which battery took the place of which.

    `known` has all that was recorded by then, by id: also what counts no more.
    """

    entries: Sequence[Entry]
    corrections: Sequence[Entry]
    replaced: Mapping[str, str]
    known: Mapping[str, Entry]

    def current(self, battery: str) -> str:
        """Return the id of the battery that stands in for this one now."""
        while battery in self.replaced:
            battery = self.replaced[battery]
        return battery

    def of(self, episode: str) -> list[Entry]:
        """Return the entries of an episode that count."""
        return [entry for entry in self.entries if entry.episode == episode]

    def facts(self, episode: str) -> Facts | None:
        """Return the facts in force: of the first battery, then of each correction in the order of recording."""
        told = next((dict(one.document["episode"]) for one in self.of(episode) if one.kind == BATTERY), None)
        if told is None:
            return None
        for entry in self.corrections_of(episode):
            told |= {key: entry.document[key] for key in told if key in entry.document}
        return Facts(told["condition"], told["involved_side"], told["onset_on"], told["other_side"])

    def corrections_of(self, episode: str) -> list[Entry]:
        """Return what corrects an episode's facts."""
        return [entry for entry in self.corrections if entry.episode == episode]

    def others(self, episode: str) -> dict[str, Facts]:
        """Return the athlete's other episodes with their facts."""
        names = dict.fromkeys(entry.episode for entry in self.entries if entry.episode)
        found = {name: self.facts(name) for name in names if name != episode}
        return {name: facts for name, facts in found.items() if facts is not None}

    def told_by(self, episode: str) -> str:
        """Return the id of the entry that an episode's side and onset stand on: its first battery, or a correction."""
        first = next(entry.id for entry in self.of(episode) if entry.kind == BATTERY)
        changes = [one.id for one in self.corrections_of(episode) if _PLACE_AND_TIME & one.document.keys()]
        return changes[-1] if changes else first


def _live(entries: Sequence[Entry], through: int, as_of: Moment, *, posted: bool) -> _Live:
    """Return the entries that count: recorded and occurred by now, less what is void or superseded.

    Of what was just posted the order of recording is the truth: a fact that was known to be wrong judges no battery,
    however long ago it was performed. What is judged as stored at a moment knows nothing of a void or a correction
    made after it.
    """
    recorded = [entry for entry in entries if entry.sequence <= through]
    known = [entry for entry in recorded if posted or entry.occurred_at <= as_of.at]
    replaced = {
        entry.document["supersedes"]: entry.id
        for entry in known
        if entry.kind == BATTERY and "supersedes" in entry.document
    }
    taken_back = gone(known)
    counting = [entry for entry in recorded if entry.id not in taken_back and entry.occurred_at <= as_of.at]
    corrections = [entry for entry in known if entry.id not in taken_back and _is_correction(entry)]
    return _Live(counting, corrections, replaced, {entry.id: entry for entry in known})


def _is_correction(entry: Entry) -> bool:
    return entry.kind == EVENT and entry.document["kind"] in (RECLASSIFIED, CORRECTED)


def _judged(occasions: Sequence[Occasion], live: _Live, through: int) -> Occasion | None:
    """Return the occasion that the entry just posted asks to judge, None where it comes too late."""
    posted = next((entry for entry in reversed(live.entries) if entry.sequence == through), None)
    if posted is None or posted.kind != BATTERY:
        return None
    if posted.document["kind"] == FOLLOW_UP:
        latest = occasions[-1] if occasions else None
        return latest if latest is not None and posted.id in latest.follow_ups else None
    return next((one for one in occasions if posted.id in one.batteries), None)


@dataclass(slots=True)
class _Folding:
    """The one pass that makes evidence of the live entries."""

    live: _Live
    own: Sequence[Entry]
    episode: str
    facts: Facts
    others: Mapping[str, Facts]
    occasions: Sequence[Occasion]
    judged: Occasion | None
    today: date
    as_of: Moment
    through: int
    posted: bool

    def evidence(self) -> Evidence:
        events = [*events_of(self.own, self.occasions), *self._injured_again()]
        confirmed = findings_of(self.episode, self.live.entries)[1]
        setbacks = [*confirmed, *(one for one in events if one.occasion is None or one.occasion is not self.judged)]
        cancel(self.occasions, setbacks)
        place = self.occasions.index(self.judged) + 1 if self.judged is not None else 0
        readable, later = self.occasions[:place], self.occasions[place:]
        return Evidence(
            episode=self.episode,
            as_of=self.as_of.at,
            as_of_on=self.as_of.on,
            through=self.through,
            posted=self.posted,
            today=self.today,
            facts=self.facts,
            ages=self._ages(),
            judged=self.judged,
            occasions=readable,
            later=later,
            attempts=_attempts(readable),
            baselines=self._baselines(),
            sessions=self._sessions(max((one.on for one in setbacks), default=date.min)),
            events=events,
            setbacks=setbacks,
            reinjured_on=max((one.on for one in setbacks if one.kind == RE_INJURY), default=None),
            findings=self._findings(),
            waivers=self._waivers(setbacks),
            other_side_spans=[span for facts, span in self._spans() if self.facts.opposite in facts.involved],
            closing_entries=[one.id for one in self._closings() if one.episode != self.episode],
            fact_entries=tuple(one.id for one in self.live.corrections_of(self.episode)),
            resolution_entries=self._ids(RESOLUTION),
            confirmation_entries=self._ids(CONFIRMATION),
            corrected=list(self._corrected()),
        )

    def _corrected(self) -> Iterator[list[Entry]]:
        of_occasion = () if self.judged is None else (*self.judged.batteries, *self.judged.follow_ups)
        for entry in self.own:
            if entry.id in of_occasion and "supersedes" in entry.document:
                yield line_of(entry, self.live.known)

    def _ids(self, kind: str) -> tuple[str, ...]:
        return tuple(entry.id for entry in self.own if entry.kind == kind)

    def _findings(self) -> list[Finding]:
        """Return the open findings of this episode and of any other open one."""
        closed = self._closed()
        episodes = dict.fromkeys(entry.episode for entry in self.live.entries if entry.episode)
        return [
            finding
            for episode in episodes
            if episode == self.episode or episode not in closed
            for finding in findings_of(episode, self.live.entries)[0]
        ]

    def _sessions(self, last_setback: date) -> list[Session]:
        reports: dict[tuple[date, str], list[tuple[str, Mapping[str, Any]]]] = defaultdict(list)
        for entry in self.own:
            for one in told(entry, "sessions"):
                reports[date.fromisoformat(one["on"]), one["kind"]].append((entry.id, one))
        return [
            _session(on, kind, told, cancelled=on <= last_setback)
            for (on, kind), told in sorted(reports.items(), key=lambda item: item[0])
            if on <= self.as_of.on
        ]

    def _ages(self) -> tuple[int, int] | None:
        athlete: dict[str, Any] = {}
        for entry in self.live.entries:
            athlete |= entry.document.get("athlete", {}) if entry.kind == BATTERY else {}
        year, month = athlete.get("birth_year"), athlete.get("birth_month")
        if year is None:
            return None
        oldest = self.today.year - int(year)
        if month is None or month == self.today.month:
            return oldest - 1, oldest
        age = oldest - (month > self.today.month)
        return age, age

    def _baselines(self) -> Mapping[tuple[str, str | None], Sequence[Measurement]]:
        onset = first_day(self.facts.onset_on)
        spans = [span for _facts, span in self._spans()]
        entries = [
            entry
            for entry in self.live.entries
            if entry.kind == BATTERY
            and entry.document["kind"] == BASELINE
            and entry.occurred_on < onset
            and not any(begun <= entry.occurred_on <= ended for begun, ended in spans)
        ]
        found = defaultdict(list)
        for entry in sorted(entries, key=lambda one: (one.occurred_at, one.sequence), reverse=True):
            for one in entry.document["measurements"]:
                read = read_measurement(one, entry, None)
                if read.result == MEASURED:
                    found[read.test, read.side].append(read)
        return found

    def _closings(self) -> list[Entry]:
        """Return the closing events that count: nothing was measured or told of the episode after them."""
        closings = [one for one in self.live.entries if one.kind == EVENT and one.document["kind"] == CLOSED]
        return [one for one in closings if not self._went_on(one)]

    def _went_on(self, closing: Entry) -> bool:
        return any(
            entry.episode == closing.episode
            and entry.occurred_at > closing.occurred_at
            and (entry.kind == BATTERY or (entry.kind == EVENT and entry.document["kind"] in SETBACKS))
            for entry in self.live.entries
        )

    def _closed(self) -> dict[str | None, date]:
        return {entry.episode: entry.occurred_on for entry in self._closings()}

    def _injured_again(self) -> Iterator[Setback]:
        """Yield a re-injury for each later episode of an involved side, whatever it is called."""
        for episode, facts in self.others.items():
            if facts.is_after(self.facts) and set(facts.involved) & set(self.facts.involved):
                yield Setback(RE_INJURY, last_day(facts.onset_on), frozenset([self.live.told_by(episode)]))

    def _spans(self) -> list[tuple[Facts, tuple[date, date]]]:
        """Return from when to when each other episode was open, with its facts."""
        closed = self._closed()
        return [
            (facts, (first_day(facts.onset_on), closed.get(episode, date.max)))
            for episode, facts in self.others.items()
        ]

    def _waivers(self, setbacks: Sequence[Setback]) -> list[Waiver]:
        """Return the exceptions that have not ended: what was waived before another injury was another limb."""
        ended_by = max(self._limb_changes(setbacks), default=0)
        return [
            Waiver(
                stage=entry.document["stage"],
                criterion=entry.document["criterion"],
                until=date.fromisoformat(entry.document["until"]),
                entry=entry.id,
            )
            for entry in self.own
            if entry.kind == EXCEPTION and entry.sequence > ended_by
        ]

    def _limb_changes(self, setbacks: Sequence[Setback]) -> Iterator[int]:
        """Yield at which places of the record the limb became another: injured again, in other words, the other one."""
        places = {entry.id: entry.sequence for entry in (*self.live.entries, *self.live.corrections)}
        for one in setbacks:
            if one.kind in {RE_INJURY, CONFIRMED}:
                yield min(places[entry] for entry in one.entries)
        for entry in self.live.corrections_of(self.episode):
            if entry.document.keys() & _LIMB:
                yield entry.sequence


def _attempts(occasions: Sequence[Occasion]) -> Mapping[tuple[str, str | None], Sequence[Measurement]]:
    found = defaultdict(list)
    for occasion in occasions:
        for key, one in occasion.measurements.items():
            if one.is_attempt:
                found[key].append(one)
    return dict(found)


def _session(on: date, kind: str, told: Sequence[tuple[str, Mapping[str, Any]]], *, cancelled: bool) -> Session:
    reports = [one for _, one in told]
    return Session(
        on=on,
        kind=kind,
        dose=_greatest(one.get("minutes", one.get("efforts")) for one in reports),
        worst_pain=_greatest(one.get("worst_pain") for one in reports),
        next_morning_rise=_greatest(one.get("next_morning_rise") for one in reports),
        medication=tuple(one["medication"] for one in reports if "medication" in one),
        batteries=tuple(dict.fromkeys(battery for battery, _ in told)),
        cancelled=cancelled,
    )


def _greatest(answers: Iterable[int | None]) -> int | None:
    return max((answer for answer in answers if answer is not None), default=None)
