"""A file of entries, as loaded, checked against the catalogue and turned into entries of a record."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Any

from service.domain import record
from service.domain.battery import battery_document, birth_faults, catalogue_faults, record_faults, time_faults
from service.domain.criteria import CriteriaSet
from service.domain.errors import INVALID_EVALUATION, FieldError, InvalidDocumentError
from service.domain.record import Entry, instant

JUDGED = "episode"
NEIGHBOURS = timedelta(days=2)
_MEASUREMENT = "/measurements/"
_FACTS = ("condition", "involved_side", "onset_on", "other_side")


@dataclass(frozen=True, slots=True)
class Clock:
    """What a file can't say: now (None: nothing is in the future) and the zone of local dates (None: as sent)."""

    now: datetime | None = None
    zone: tzinfo | None = None

    def local_date(self, moment: datetime) -> date:
        """Return the local date of a moment: in the zone, or at the offset it was sent with."""
        return (moment if self.zone is None else moment.astimezone(self.zone)).date()

    def start_of(self, on: date, like: datetime) -> datetime:
        """Return the start of a day in the zone, or at the offset of a moment."""
        return datetime.combine(on, time(), self.zone or like.tzinfo)


@dataclass(slots=True)
class _Reader:
    """One pass over the entries of a file; faults are collected, not raised one by one."""

    file: Mapping[str, Any]
    criteria: CriteriaSet
    clock: Clock
    faults: list[FieldError] = field(default_factory=list)
    refs: dict[str, str] = field(default_factory=dict)
    batteries: dict[str, Entry] = field(default_factory=dict)
    episodes: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    corrections: list[tuple[str, datetime, Mapping[str, Any]]] = field(default_factory=list)
    replaced: dict[str, str] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)
    told_of: dict[str, tuple[int, str]] = field(default_factory=dict)
    raised: set[tuple[str, str]] = field(default_factory=set)

    def entries(self) -> list[Entry]:
        self._name_episodes()
        found = [
            self._entry(place, kind, body)
            for place, one in enumerate(self.file["entries"])
            for kind, body in one.items()
        ]
        self._check_episodes()
        self._check_dates()
        if self.faults:
            raise InvalidDocumentError(INVALID_EVALUATION, self.faults)
        return found

    def _check_episodes(self) -> None:
        """Refuse another episode that no battery belongs to: nothing told of it would be read."""
        with_battery = {one.episode for one in self.batteries.values()}
        for name, (place, kind) in self.told_of.items():
            if name != JUDGED and name in self.episodes and name not in with_battery:
                detail = f"no battery belongs to {name}, so nothing of it is read; add one, or take this out"
                self._fault(place, kind, "/episode", "missing", detail)

    def _check_dates(self) -> None:
        """Refuse times of neighbouring batteries whose own offsets disagree about the date; a zone settles it."""
        ordered = sorted(battery_bodies(self.file), key=lambda one: one[1]["performed_at"])
        for (_, before), (place, after) in pairwise(ordered if self.clock.zone is None else ()):
            moment = after["performed_at"]
            is_near = moment - before["performed_at"] < NEIGHBOURS
            if is_near and moment.date() != moment.astimezone(before["performed_at"].tzinfo).date():
                detail = "times with different offsets disagree about this date; give --zone, or one offset"
                self._fault(place - 1, record.BATTERY, "/performed_at", "conflicts", detail)

    def _name_episodes(self) -> None:
        """Note every episode that the file gives in whole."""
        self.episodes[JUDGED] = _facts(self.file["episode"])
        for one in self.file["entries"]:
            for body in one.values():
                episode = body.get("episode")
                if isinstance(episode, Mapping):
                    self.episodes.setdefault(self._episode_name(episode.get("ref")), _facts(episode))

    def _moment(self, body: Mapping[str, Any]) -> datetime:
        """Return when an entry occurred; a date occurs at its start."""
        known: datetime | None = body.get("performed_at", body.get("at"))
        return known if known is not None else self.clock.start_of(body["on"], _last_moment(self.file))

    def _facts_in_force(self, name: str, moment: datetime | None = None) -> Mapping[str, Any]:
        """Return an episode's facts with the corrections told so far, only those that had occurred by a moment."""
        facts = self.episodes.get(name, {})
        for episode, at, corrected in self.corrections:
            if episode == name and (moment is None or at <= moment):
                facts = {**facts, **corrected}
        return facts

    def _compare(self, place: int, kind: str, name: str, body: Mapping[str, Any]) -> None:
        in_force = [self._facts_in_force(name, self._moment(body)), self._facts_in_force(name)]
        if _facts(body["episode"]) not in in_force:
            detail = "these facts differ from those in force; an event `corrected` or `reclassified` changes them"
            self._fault(place, kind, "/episode", "conflicts", detail)

    def _episode_name(self, ref: str | None) -> str:
        return JUDGED if ref is None or ref == self.file["episode"].get("ref") else f"episode {ref}"

    def _fault(self, place: int, kind: str, where: str, code: str, detail: str) -> None:
        self.faults.append(FieldError(f"#/entries/{place}/{kind}{where}", code, detail))

    def _episode(self, place: int, kind: str, body: Mapping[str, Any]) -> str:
        said = body.get("episode")
        name = self._episode_name(said.get("ref") if isinstance(said, Mapping) else said)
        if name not in self.episodes:
            detail = f"no entry gives the episode {said!r} in whole; the first one that names it must"
            self._fault(place, kind, "/episode", "unknown_name", detail)
        elif isinstance(said, Mapping):
            self._compare(place, kind, name, body)
        self.told_of.setdefault(name, (place, kind))
        return name

    def _entry(self, place: int, kind: str, body: Mapping[str, Any]) -> Entry:
        if kind == record.BATTERY:
            return self._battery(place, body)
        episode = self._episode(place, kind, body)
        moment = self._moment(body)
        on = body["on"] if "on" in body else self.clock.local_date(moment)
        if self.clock.now is not None and moment > self.clock.now:
            self._fault(place, kind, "/on" if "on" in body else "/at", "in_the_future", f"{on} lies after now")
        document = self._document(place, kind, body, episode)
        return Entry(place + 1, str(place + 1), kind, episode, instant(moment), on, document)

    def _document(self, place: int, kind: str, body: Mapping[str, Any], episode: str) -> dict[str, Any]:
        document = {key: _text(value) for key, value in body.items() if key not in ("episode", "on", "reason")}
        if kind == record.VOID:
            document["entry"] = self._named(place, kind, "/entry", body["entry"])
            self._void(place, document["entry"])
        elif kind == record.CONFIRMATION:
            document["battery"] = self._named(place, kind, "/battery", body["battery"])
        elif kind == record.EVENT:
            corrected = {key: body[key] for key in _FACTS if key in body}
            self.corrections.append((episode, self._moment(body), corrected))
        elif kind == record.EXCEPTION:
            self._check_exception(place, body)
        elif kind == record.RESOLUTION and (episode, body["finding"]) not in self.raised:
            self._fault(place, kind, "/finding", "unknown_name", f"no battery before raised {body['finding']!r}")
        return document

    def _named(self, place: int, kind: str, where: str, named: Any) -> str:
        entry_id = str(named) if isinstance(named, int) else self.refs.get(str(named))
        if entry_id is None or not 1 <= int(entry_id) <= place:
            detail = f"{named!r} names no entry before this one; give a battery's ref or a position from 1"
            self._fault(place, kind, where, "unknown_name", detail)
        return str(entry_id)

    def _check_exception(self, place: int, body: Mapping[str, Any]) -> None:
        gate = self.criteria.gates.get(body["stage"])
        if gate is None:
            detail = f"there is no stage {body['stage']!r}; there are {', '.join(self.criteria.stages)}"
            self._fault(place, record.EXCEPTION, "/stage", "unknown_name", detail)
        elif body["criterion"] not in gate.asks:
            detail = f"{gate.id} does not ask {body['criterion']!r}; it asks {', '.join(gate.asks)}"
            self._fault(place, record.EXCEPTION, "/criterion", "unknown_name", detail)

    # Batteries

    def _battery(self, place: int, body: Mapping[str, Any]) -> Entry:
        entry_id = str(place + 1)
        on = self.clock.local_date(body["performed_at"])
        names = self._names(place, body)
        is_baseline = body["kind"] == record.BASELINE
        episode = None if is_baseline else self._episode_of(place, body, names)
        facts = known = None
        if episode is not None and episode in self.episodes:
            facts, known = self._facts_in_force(episode, body["performed_at"]), self._facts_in_force(episode)
        self._check_battery(place, body, on, known)
        document = battery_document({**body, "athlete": self._athlete(body), "episode": facts or {}}, on, names=names)
        if facts is None:
            del document["episode"]
        entry = Entry(place + 1, entry_id, record.BATTERY, episode, instant(body["performed_at"]), on, document)
        if all(name in self.batteries for name in names.values()):
            self._check_record(place, entry, body)
        self.batteries[entry_id] = entry
        if "ref" in body:
            self.refs[body["ref"]] = entry_id
        self.raised |= {(str(episode), question) for question, said in body.get("referral", {}).items() if said}
        return entry

    def _episode_of(self, place: int, body: Mapping[str, Any], names: Mapping[str, str]) -> str:
        """Return the episode of a battery; a follow-up that names none has that of the battery it follows."""
        followed = self.batteries.get(names.get("follows", ""))
        if followed is not None and followed.episode is not None and "episode" not in body:
            return followed.episode
        return self._episode(place, record.BATTERY, body)

    def _athlete(self, body: Mapping[str, Any]) -> dict[str, Any]:
        return {**self.file["athlete"], **body.get("athlete", {})}

    def _names(self, place: int, body: Mapping[str, Any]) -> dict[str, str]:
        names = {}
        for key in ("follows", "supersedes"):
            if key in body:
                named = body[key].get("ref", body[key].get("id"))
                names[key] = self._current(str(self.refs.get(named, named)))
                if names[key] not in self.batteries:
                    detail = f"{named!r} names no battery before this one"
                    self._fault(place, record.BATTERY, f"/{key}", "unknown_name", detail)
        return names

    def _void(self, place: int, entry_id: str) -> None:
        """Note that an entry is void; voiding a void could bring a battery back beside the one that replaced it."""
        if entry_id.isdecimal() and record.VOID in self.file["entries"][int(entry_id) - 1]:
            detail = "a void can't be voided; give the entry that it took back anew"
            self._fault(place, record.VOID, "/entry", "conflicts", detail)
        self.gone.add(entry_id)

    def _current(self, entry_id: str) -> str:
        """Return the battery that took the place of another."""
        while entry_id in self.replaced:
            entry_id = self.replaced[entry_id]
        return entry_id

    def _check_battery(self, place: int, body: Mapping[str, Any], on: date, facts: Mapping[str, Any] | None) -> None:
        referral = tuple(one.id for one in self.criteria.referral)
        onset = facts["onset_on"] if facts is not None else None
        found = [
            *catalogue_faults(body, self.criteria.catalogue, referral),
            *time_faults(body, on, onset, self.clock.now),
        ]
        for one in found:
            self._fault(place, record.BATTERY, one.pointer, one.code, one.detail)
        if "birth_year" not in body.get("athlete", {}):
            self._check_birth(on)

    def _check_birth(self, on: date) -> None:
        """Look at the birth that the file gives for all its batteries; it is told once."""
        found = [one._replace(pointer=f"#{one.pointer}") for one in birth_faults(self.file["athlete"], on)]
        self.faults += [one for one in found if one.pointer not in {fault.pointer for fault in self.faults}]

    def _check_record(self, place: int, entry: Entry, body: Mapping[str, Any]) -> None:
        if "supersedes" in entry.document:
            self.gone.add(entry.document["supersedes"])
            self.replaced[entry.document["supersedes"]] = entry.id
        live = [one for one in self.batteries.values() if one.id not in self.gone]
        replaced = self.batteries.get(entry.document.get("supersedes", ""))
        for one in record_faults(entry, live, self.criteria.follow_up_days, replaced=replaced):
            self._fault(place, record.BATTERY, _sent_place(one.pointer, entry, body), one.code, one.detail)


def read_entries(file: Mapping[str, Any], criteria: CriteriaSet, clock: Clock) -> list[Entry]:
    """Return the entries of a loaded file, numbered from 1 in its order.

    Raises:
        InvalidDocumentError: every fault against the catalogue, the set and the other entries.
    """
    if not any(battery_bodies(file)):
        detail = "there is no battery to judge; at least one entry is a battery"
        raise InvalidDocumentError(INVALID_EVALUATION, [FieldError("#/entries", "missing", detail)])
    return _Reader(file, criteria, clock).entries()


def battery_bodies(file: Mapping[str, Any]) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Yield the batteries of a loaded file with their positions from 1."""
    for place, one in enumerate(file["entries"], start=1):
        if record.BATTERY in one:
            yield place, one[record.BATTERY]


def _sent_place(where: str, entry: Entry, body: Mapping[str, Any]) -> str:
    """Return where a measurement of the document, which sorts them, stands in the body."""
    if not where.startswith(_MEASUREMENT):
        return where
    kept = entry.document["measurements"][int(where.removeprefix(_MEASUREMENT))]
    sent = [(one["test"], one.get("side")) for one in body["measurements"]]
    return f"{_MEASUREMENT}{sent.index((kept['test'], kept.get('side')))}"


def _facts(episode: Mapping[str, Any]) -> dict[str, Any]:
    return {key: episode[key] for key in _FACTS}


def _last_moment(file: Mapping[str, Any]) -> datetime:
    """Return the moment of the last battery, whose offset dated entries share."""
    moments: Sequence[datetime] = [body["performed_at"] for _, body in battery_bodies(file)]
    return moments[-1]


def _text(value: Any) -> Any:
    if isinstance(value, datetime):
        return instant(value)
    return value.isoformat() if isinstance(value, date) else value
