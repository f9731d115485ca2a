"""The current state of one athlete, made from the record alone, and written as the difference to what it was.

Posting and rebuilding make the state with the same function, so that what is stored is what a rebuild would store.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid5

import sqlalchemy as sa

from service.domain import record
from service.domain.chain import ERASURE, Link, head_of
from service.domain.codes import HOLD_KINDS, MET
from service.domain.record import gone
from service.domain.standing import Standing
from service.store.database import Tx
from service.store.tables import METADATA

SIGN_OFF, OVERRIDE, DEFER = "sign_off", "override", "defer"
RESCHEDULED, CANCELLED, RENAMED = "retest_rescheduled", "retest_cancelled", "ref_changed"
CHECK_IN_DONE = "check_in_done"
RETEST, FOLLOW_UP, OVERRIDE_REVIEW = "retest", "follow_up", "override_review"
REFERRAL_OUTCOME, CHECK_IN = "referral_outcome", "check_in"
OPEN, CLOSED = "open", "closed"
IS_STANDING, IS_SUPERSEDED, IS_VOID = "standing", "superseded", "void"

# Practice, not evidence: an override is looked at again within 72 hours, so on the second or the third day after it.
REVIEW = {"after_days": 2, "window_days": 1}

# Practice, not evidence: as long as the sets give the outcome of a referral.
REFERRAL = {"after_days": 2, "window_days": 2}

# Practice, not evidence: how it goes 2, 6 and 12 weeks after the return to competition.
CHECK_INS: Mapping[str, timedelta] = {f"{weeks}_weeks": timedelta(weeks=weeks) for weeks in (2, 6, 12)}
CHECK_IN_WINDOW = 7
RETURNED = "competition"

# In the order in which they can be written: a row comes after those that it names.
TABLES = ("athletes", "episodes", "batteries", "decisions", "unmet_criteria", "findings", "tasks")
_EARLY = TABLES[:2]
_ATTEMPTED = (record.MEASURED, record.UNABLE)
_FACTS = ("condition", "involved_side", "onset_on", "other_side")
_PERSON = ("birth_year", "birth_month", "sex", "dominant_leg")

# What people say of a task by an event; who puts it off leaves it open.
_TOLD = {RESCHEDULED: None, CANCELLED: "cancelled", CHECK_IN_DONE: "done"}

Row = dict[str, Any]
State = dict[str, dict[tuple[Any, ...], Row]]


def task_id(kind: str, of: str) -> str:
    """Return the id of a task: it follows from the entry that it comes from, so that a rebuild finds it again."""
    return str(uuid5(UUID(of), kind))


def state_of(chain: Sequence[Link], standings: Mapping[str, Standing]) -> State:
    """Return every row of an athlete's current state, by table and by key.

    Args:
        chain: the athlete's entries in order, at least one.
        standings: what has become of each decision.
    """
    return _State(chain, standings).made() if chain else {table: {} for table in TABLES}


def write(tx: Tx, before: State, after: State, *, tables: Sequence[str] = TABLES) -> None:
    """Write what differs between two states; what goes, goes before what it names."""
    for name in reversed(tables):
        _remove(tx, METADATA.tables[name], before[name], after[name])
    for name in tables:
        _write_table(tx, METADATA.tables[name], before[name], after[name])


def write_names(tx: Tx, before: State, after: State) -> None:
    """Write what entries name: the athlete and the episodes, before the entries themselves."""
    write(tx, before, after, tables=_EARLY)


def write_rest(tx: Tx, before: State, after: State) -> None:
    """Write what names entries, after the entries themselves."""
    write(tx, before, after, tables=TABLES[len(_EARLY) :])


def stored_state(tx: Tx, organisation: str, athlete: str) -> State:
    """Return the rows of an athlete's current state as they are stored."""
    found: State = {}
    for name in TABLES:
        table = METADATA.tables[name]
        query = sa.select(table).where(
            table.c.organisation_id == organisation, _of_athlete(table, organisation, athlete)
        )
        rows = [row._asdict() for row in tx.execute(query)]
        found[name] = {_key(table, row): row for row in rows}
    return found


def _of_athlete(table: sa.Table, organisation: str, athlete: str) -> sa.ColumnElement[bool]:
    if table.name == "athletes":
        return table.c.id == athlete
    if "athlete_id" in table.c:
        return table.c.athlete_id == athlete
    decisions = METADATA.tables["decisions"]
    own = sa.select(decisions.c.id).where(
        decisions.c.organisation_id == organisation, decisions.c.athlete_id == athlete
    )
    return table.c.decision_id.in_(own)


def _remove(tx: Tx, table: sa.Table, before: Mapping[Any, Row], after: Mapping[Any, Row]) -> None:
    for row in (row for key, row in before.items() if key not in after):
        tx.execute(sa.delete(table).where(*_is(table, row)))


def _write_table(tx: Tx, table: sa.Table, before: Mapping[Any, Row], after: Mapping[Any, Row]) -> None:
    changed = [key for key, row in after.items() if key in before and row != before[key]]
    # A row that stops being open goes first: of some rows only one may be open at a time.
    for key in sorted(changed, key=lambda one: _is_open(after[one])):
        values = {name: value for name, value in after[key].items() if value != before[key][name]}
        tx.execute(sa.update(table).where(*_is(table, after[key])).values(values))
    new = [row for key, row in after.items() if key not in before]
    if new:
        tx.execute(sa.insert(table), new)


def _is_open(row: Row) -> bool:
    return row.get("state") == OPEN or row.get("resolved_by", "") is None


def _is(table: sa.Table, row: Row) -> Iterator[sa.ColumnElement[bool]]:
    return (column == row[column.name] for column in table.primary_key.columns)


def _key(table: sa.Table, row: Row) -> tuple[Any, ...]:
    return tuple(row[column.name] for column in table.primary_key.columns if column.name != "organisation_id")


class _Change(NamedTuple):
    """What an entry does to a task: why it closes it, None where it moves it."""

    by: Link
    because: str | None


class _State:
    """One pass over an athlete's entries."""

    def __init__(self, chain: Sequence[Link], standings: Mapping[str, Standing]) -> None:
        self.chain = chain
        self.standings = standings
        self.gone = gone([one.entry for one in chain if one.content])
        self.live = [one for one in chain if one.id not in self.gone]
        self.superseded = {
            one.content["supersedes"]: one for one in self._batteries(chain) if "supersedes" in one.content
        }
        self.occasion_of = self._occasions()
        self.mornings = self._mornings()
        self.own = {"organisation_id": chain[0].organisation, "athlete_id": chain[0].athlete}

    def made(self) -> State:
        rows = {
            "athletes": [self._athlete()],
            "episodes": list(self._episodes()),
            "batteries": [self._battery(one) for one in self._batteries(self.chain)],
            "decisions": [self._decision(one) for one in self._decisions(self.chain)],
            "unmet_criteria": list(self._unmet()),
            "findings": list(self._findings()),
            "tasks": list(self._tasks()),
        }
        return {name: {_key(METADATA.tables[name], row): row for row in found} for name, found in rows.items()}

    @staticmethod
    def _batteries(chain: Sequence[Link]) -> list[Link]:
        return [one for one in chain if one.kind == record.BATTERY and one.content]

    @staticmethod
    def _decisions(chain: Sequence[Link]) -> list[Link]:
        return [one for one in chain if one.kind == record.DECISION and one.content]

    def _events(self, *kinds: str) -> list[Link]:
        return [one for one in self.live if one.kind == record.EVENT and one.content.get("kind") in kinds]

    # The athlete

    def _athlete(self) -> Row:
        known: dict[str, Any] = {}
        for one in self._batteries(self.live):
            known |= one.content.get("athlete", {})
        erased = [one for one in self.chain if one.kind == ERASURE]
        head = head_of(self.chain)
        return {
            "organisation_id": self.own["organisation_id"],
            "id": self.own["athlete_id"],
            "ref": self._ref("athlete", None),
            **{name: known.get(name) for name in _PERSON},
            "entries": head.entries,
            "head_digest": head.digest,
            "erased_at": _moment(erased[0].recorded_at) if erased else None,
        }

    def _ref(self, of: str, episode: str | None) -> str | None:
        """Return the ref in force of the athlete or of an episode: the first told, then each change."""
        ref: str | None = None
        for one in self.chain:
            if of == "episode" and one.episode != episode:
                continue
            is_change = one.kind == record.EVENT and one.content.get("kind") == RENAMED
            if is_change and one.content.get("of") == of and one.id not in self.gone:
                ref = one.people.get("ref")
            elif one.kind == record.BATTERY and ref is None:
                ref = one.people.get(f"{of}_ref")
        return ref

    # Episodes

    def _episodes(self) -> Iterator[Row]:
        for episode in dict.fromkeys(one.episode for one in self.chain if one.episode):
            own = [one for one in self.live if one.episode == episode]
            facts = self._facts(episode, own)
            decided = sorted(self._decisions(own), key=lambda one: (one.content["verdict"]["as_of"], one.sequence))
            yield {
                **self.own,
                "id": episode,
                "ref": self._ref("episode", episode),
                **{name: facts.get(name) for name in _FACTS},
                "recurrence_of": facts.get("recurrence_of"),
                "closed_on": self._closed_on(own),
                **self._position(own),
                "current_decision_id": decided[-1].id if decided else None,
            }

    def _facts(self, episode: str, own: Sequence[Link]) -> dict[str, Any]:
        """Return the facts in force: of the first battery that counts (of any, where none does), then each change."""
        every = [one for one in self.chain if one.episode == episode]
        told = [one.content for one in (*self._batteries(own), *self._batteries(every)) if "episode" in one.content]
        facts = dict(told[0]["episode"]) if told else {}
        if told and "recurrence_of" in told[0]:
            facts["recurrence_of"] = told[0]["recurrence_of"]
        for one in own:
            if one.kind == record.EVENT and one.content.get("kind") in (record.RECLASSIFIED, record.CORRECTED):
                facts |= {name: one.content[name] for name in _FACTS if name in one.content}
        return facts

    @staticmethod
    def _closed_on(own: Sequence[Link]) -> date | None:
        """Return when the episode was closed, None where it went on since."""
        closed_on: date | None = None
        closed_at = ""
        for one in sorted(own, key=lambda link: (link.occurred_at, link.sequence)):
            kind = one.content.get("kind")
            if one.kind == record.EVENT and kind == record.CLOSED:
                closed_on, closed_at = one.occurred_on, one.occurred_at
            elif one.occurred_at > closed_at and (
                one.kind == record.BATTERY or (one.kind == record.EVENT and kind in record.SETBACKS)
            ):
                closed_on = None
        return closed_on

    @staticmethod
    def _position(own: Sequence[Link]) -> Row:
        """Return where a named person has put the athlete; only a sign-off says so."""
        moved = [one.content for one in own if one.kind == SIGN_OFF and one.content.get("position")]
        said = moved[-1] if moved else {"position": {}}
        until = said.get("valid_until")
        return {
            "stage": said["position"].get("stage"),
            "participation": said["position"].get("participation"),
            "position_until": date.fromisoformat(until) if until else None,
        }

    # Batteries and decisions

    def _battery(self, one: Link) -> Row:
        replaced = one.content.get("supersedes")
        state = IS_SUPERSEDED if one.id in self.superseded else IS_VOID if one.id in self.gone else IS_STANDING
        return {
            **self.own,
            "id": one.id,
            "episode_id": one.episode,
            "ref": one.people.get("ref"),
            "revision": one.content.get("revision", 1),
            "kind": one.content["kind"],
            "occasion": one.content.get("occasion"),
            "performed_at": _moment(one.occurred_at),
            "performed_on": one.occurred_on,
            "posted_by": one.actor,
            "supersedes_id": replaced,
            "state": state,
        }

    def _decision(self, one: Link) -> Row:
        verdict = one.content["verdict"]
        posted = self.chain[verdict["through"] - 1].id if verdict["posted"] else None
        standing = self.standings[one.id]
        signed = [other for other in self.live if other.kind == SIGN_OFF and _signs(other, one)]
        return {
            **self.own,
            "id": one.id,
            "episode_id": one.episode,
            "sequence": one.sequence,
            "battery_id": posted,
            "target_stage": verdict["stage"],
            "condition": one.content["condition"],
            "set_id": one.content["criteria_set"]["id"],
            "version": one.content["criteria_set"]["version"],
            "as_of": _moment(verdict["as_of"]),
            "decided_at": _moment(one.recorded_at),
            "outcome": verdict["outcome"],
            **{kind: kind in verdict["hold_because"] for kind in HOLD_KINDS},
            "state": standing.state,
            "stands_until": standing.until,
            "signed_at": _moment(signed[-1].recorded_at) if signed else None,
            "posted_by": one.actor,
        }

    def _unmet(self) -> Iterator[Row]:
        for one in self._decisions(self.chain):
            for criterion, part_of, status, *_ in one.content["verdict"]["reasons"]:
                if part_of is None and status != MET:
                    yield {
                        "organisation_id": self.own["organisation_id"],
                        "decision_id": one.id,
                        "criterion_id": criterion,
                        "status": status,
                        "decided_at": _moment(one.recorded_at),
                    }

    def _findings(self) -> Iterator[Row]:
        """Yield each finding with what closed it; a confirmed one stays open, or is open again."""
        latest: dict[tuple[str | None, str], Row] = {}
        found: list[Row] = []
        for one in self.live:
            for question, answer in one.content.get("referral", {}).items() if one.kind == record.BATTERY else ():
                known = latest.get((one.episode, question))
                if answer and (known is None or known["resolved_by"] is not None):
                    row = {**self.own, "episode_id": one.episode, "finding": question, "raised_by": one.id}
                    latest[one.episode, question] = row | {"resolved_by": None}
                    found.append(latest[one.episode, question])
            if one.kind != record.RESOLUTION or not one.content:
                continue
            is_closed = one.content["as"] != record.CONFIRMED
            if (one.episode, one.content["finding"]) not in latest and not is_closed:
                row = {**self.own, "episode_id": one.episode, "finding": one.content["finding"], "raised_by": one.id}
                latest[one.episode, one.content["finding"]] = row
                found.append(row)
            if (one.episode, one.content["finding"]) in latest:
                latest[one.episode, one.content["finding"]]["resolved_by"] = one.id if is_closed else None
        return iter(found)

    # Tasks

    def _tasks(self) -> Iterator[Row]:
        for episode in dict.fromkeys(one.episode for one in self.chain if one.episode):
            decided = [one for one in self._decisions(self.chain) if one.episode == episode]
            yield from self._retests(decided)
            yield from self._follow_ups(decided)
            yield from self._reviews(episode)
            yield from self._check_ins(episode)
        yield from self._referrals()

    def _retests(self, decided: Sequence[Link]) -> Iterator[Row]:
        """Yield the retest of each decision; only that of the episode's current one may be open."""
        current: Link | None = None
        ends: dict[str, list[_Change]] = {}
        for one in decided:
            if one.id in self.gone or (current is not None and _place(one) < _place(current)):
                continue
            if current is not None:
                ends[current.id] = [_Change(one, self._because(current, one))]
            current, ends[one.id] = one, []
        for one in decided:
            proposed = one.content["advice"]["retest"]
            if proposed is not None and one.id in ends:
                row = self._task(RETEST, one, one.id, proposed) | {"decision_id": one.id}
                yield self._settled(row, one, ends[one.id])

    def _because(self, before: Link, after: Link) -> str:
        """Return why a newer decision closes a retest: it rests on what was waited for, or takes its place.

        What was waited for is a later day on which one of the tests to be done again was attempted, for the same stage;
        a retest that waits for no test is done by any later day.
        """
        earlier, later = before.content["verdict"], after.content["verdict"]
        if later["stage"] != earlier["stage"] or later["today"] <= earlier["today"]:
            return "replaced"
        waited = set((before.content["advice"]["retest"] or {}).get("tests", ()))
        return "done" if not waited or waited & self._attempted(after, since=earlier["today"]) else "replaced"

    def _attempted(self, decision: Link, *, since: str) -> set[str]:
        """Return the tests that were attempted at the occasion that a decision judges, where that is after a date."""
        occasion = self.occasion_of.get(decision.content["occasion"])
        return {
            one["test"]
            for battery in self._batteries(self.live)
            if self.occasion_of[battery.id] == occasion and battery.occurred_on > date.fromisoformat(since)
            for one in battery.content.get("measurements", ())
            if one["result"] in _ATTEMPTED
        }

    def _follow_ups(self, decided: Sequence[Link]) -> Iterator[Row]:
        """Yield the question for the morning after each occasion, once for all its batteries.

        A corrected battery is asked about in the place of the one that it corrects.
        """
        asked: dict[str, tuple[Row, Link, list[_Change]]] = {}
        last: dict[str, list[_Change]] = {}
        for one in decided:
            proposed, battery = one.content["advice"]["follow_up"], one.content.get("occasion")
            if proposed is None or battery is None or battery in asked:
                continue
            occasion = self.occasion_of.get(battery, battery)
            last.get(occasion, []).append(_Change(one, "replaced"))
            last[occasion] = [_Change(answer, "done") for answer in self.mornings.get(occasion, ())]
            asked[battery] = (
                self._task(FOLLOW_UP, one, battery, proposed) | {"battery_id": battery},
                one,
                last[occasion],
            )
        return (self._settled(*one) for one in asked.values())

    def _reviews(self, episode: str | None) -> Iterator[Row]:
        """Yield the review that each override asks for; who signs off later, and does not defer, has reviewed it."""
        signed = [one for one in self.chain if one.kind == SIGN_OFF and one.content and one.episode == episode]
        settling = [one for one in signed if one.id not in self.gone and one.content.get("determination") != DEFER]
        for one in signed:
            if one.content.get("determination") != OVERRIDE:
                continue
            due_on = one.occurred_on + timedelta(days=REVIEW["after_days"])
            proposed = {"due_on": due_on.isoformat(), "window_days": REVIEW["window_days"]}
            row = self._task(OVERRIDE_REVIEW, one, one.id, proposed) | {"decision_id": one.content["decision"]}
            later = [other for other in settling if other.sequence > one.sequence]
            yield self._settled(row, one, [_Change(other, "done") for other in later])

    def _referrals(self) -> Iterator[Row]:
        """Yield the outcome that each finding awaits, until the finding is closed."""
        by_id = {one.id: one for one in self.chain}
        for finding in self._findings():
            raised = by_id[finding["raised_by"]]
            due_on = raised.occurred_on + timedelta(days=REFERRAL["after_days"])
            proposed = {"due_on": due_on.isoformat(), "window_days": REFERRAL["window_days"]}
            row = self._task(REFERRAL_OUTCOME, raised, raised.id, proposed, about=finding["finding"])
            if raised.kind == record.BATTERY:
                row["battery_id"] = raised.id
            closing = by_id.get(finding["resolved_by"])
            yield self._settled(row, raised, [_Change(closing, "done")] if closing else [])

    def _check_ins(self, episode: str | None) -> Iterator[Row]:
        """Yield the check-ins after each return to competition, until something sends the athlete back."""
        own = [one for one in self.live if one.episode == episode]
        moved = [one for one in own if one.kind == SIGN_OFF and one.content.get("position")]
        for place, one in enumerate(moved):
            if not _is_back(one) or (place and _is_back(moved[place - 1])):
                continue  # still there: the weeks are counted from the return
            sent_back = [other for other in moved[place + 1 :] if not _is_back(other)]
            setbacks = [other for other in own if _is_setback(other) and other.sequence > one.sequence]
            ends = [_Change(other, "replaced") for other in (*sent_back, *setbacks)]
            for about, weeks in CHECK_INS.items():
                due_on = one.occurred_on + weeks
                proposed = {"due_on": due_on.isoformat(), "window_days": CHECK_IN_WINDOW}
                row = self._task(CHECK_IN, one, one.id, proposed, about=about)
                row["decision_id"] = one.content.get("decision")
                near = due_on - timedelta(days=CHECK_IN_WINDOW)
                answers = [_Change(other, "done") for other in self._batteries(own) if other.occurred_on >= near]
                yield self._settled(row, one, [*ends, *answers])

    def _occasions(self) -> dict[str | None, str]:
        """Return the first battery of the occasion of each battery; a corrected one stays in its occasion."""
        first_of: dict[Any, str] = {}
        found: dict[str | None, str] = {}
        for one in self._batteries(self.chain):
            place = (one.episode, one.content.get("occasion", one.id), one.occurred_on)
            found[one.id] = found.get(one.content.get("supersedes")) or first_of.get(place, one.id)
            first_of.setdefault(place, found[one.id])
        return found

    def _mornings(self) -> dict[str, list[Link]]:
        """Return the follow-ups that count by the first battery of the occasion that each follows."""
        found: dict[str, list[Link]] = {}
        for one in self._batteries(self.live):
            if "follows" in one.content:
                found.setdefault(self.occasion_of[one.content["follows"]], []).append(one)
        return found

    def _task(self, kind: str, one: Link, of: str, proposed: Mapping[str, Any], *, about: str | None = None) -> Row:
        return {
            **self.own,
            "id": task_id(kind if about is None else f"{kind}:{about}", of),
            "kind": kind,
            "about": about,
            "episode_id": one.episode,
            "decision_id": None,
            "battery_id": None,
            "due_on": date.fromisoformat(proposed["due_on"]),
            "window_days": proposed["window_days"],
            "state": OPEN,
            "closed_because": None,
            "ical_sequence": 0,
            "updated_at": _moment(one.recorded_at),
        }

    def _settled(self, row: Row, one: Link, ends: Sequence[_Change]) -> Row:
        """Return a task after what happened to it in the order of the record, to its decision and to its episode."""
        told = [
            _Change(event, _TOLD[event.content["kind"]])
            for event in self._events(*_TOLD)
            if event.content.get("task") == row["id"]
        ]
        for by, because in sorted((*ends, *told), key=lambda change: change.by.sequence):
            if because is not None:
                self._close(row, because, by)
            elif row["state"] == OPEN:
                self._change(row, by, due_on=date.fromisoformat(by.content["due_on"]))
        own = [other for other in self.live if other.episode == one.episode]
        erasure = next((other for other in self.chain if other.kind == ERASURE), None)
        if one.id in self.gone:
            self._close(row, "void", one)
        elif erasure is not None:
            self._close(row, "erased", erasure)
        elif self._closed_on(own) is not None:
            self._close(row, "episode_closed", own[-1])
        return row

    def _close(self, row: Row, because: str, by: Link) -> None:
        if row["state"] == OPEN:
            self._change(row, by, state=CLOSED, closed_because=because)

    @staticmethod
    def _change(row: Row, by: Link, **values: Any) -> None:
        row |= values | {"updated_at": _moment(by.recorded_at), "ical_sequence": row["ical_sequence"] + 1}


def _signs(sign_off: Link, decision: Link) -> bool:
    """Tell whether a sign-off settles a decision; who defers leaves it waiting."""
    said = sign_off.content
    return said.get("decision") == decision.id and said["determination"] != DEFER


def _is_setback(one: Link) -> bool:
    return one.kind == record.EVENT and one.content.get("kind") in record.SETBACKS


def _is_back(one: Link) -> bool:
    return bool(one.content["position"].get("participation") == RETURNED)


def _place(one: Link) -> tuple[str, int]:
    return one.content["verdict"]["as_of"], one.sequence


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)
