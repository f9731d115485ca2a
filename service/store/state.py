"""The current state of one athlete, made from the record alone, and written as the difference to what it was.

Posting and rebuilding make the state with the same function, so that what is stored is what a rebuild would store.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import sqlalchemy as sa

from service.domain import record
from service.domain.chain import ERASURE, Link, head_of
from service.domain.codes import HOLD_KINDS, MET
from service.domain.record import gone
from service.domain.standing import Standing
from service.store.database import Tx
from service.store.tables import METADATA
from service.store.task_state import DEFER, OPEN, SIGN_OFF, batteries_of, closed_on, decisions_of, moment_of, tasks_of

RENAMED = "ref_changed"
IS_STANDING, IS_SUPERSEDED, IS_VOID = "standing", "superseded", "void"

# In the order in which they can be written: a row comes after those that it names.
TABLES = ("athletes", "episodes", "batteries", "decisions", "unmet_criteria", "findings", "tasks")
_EARLY = TABLES[:2]
_FACTS = ("condition", "involved_side", "onset_on", "other_side")
_PERSON = ("birth_year", "birth_month", "sex", "dominant_leg")

Row = dict[str, Any]
State = dict[str, dict[tuple[Any, ...], Row]]


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


class _State:
    """One pass over an athlete's entries."""

    def __init__(self, chain: Sequence[Link], standings: Mapping[str, Standing]) -> None:
        self.chain = chain
        self.standings = standings
        self.gone = gone([one.entry for one in chain if one.content])
        self.live = [one for one in chain if one.id not in self.gone]
        self.superseded = {one.content["supersedes"]: one for one in batteries_of(chain) if "supersedes" in one.content}
        self.own = {"organisation_id": chain[0].organisation, "athlete_id": chain[0].athlete}

    def made(self) -> State:
        found = list(self._findings())
        rows = {
            "athletes": [self._athlete()],
            "episodes": list(self._episodes()),
            "batteries": [self._battery(one) for one in batteries_of(self.chain)],
            "decisions": [self._decision(one) for one in decisions_of(self.chain)],
            "unmet_criteria": list(self._unmet()),
            "findings": found,
            "tasks": list(tasks_of(self.chain, self.live, found)),
        }
        return {name: {_key(METADATA.tables[name], row): row for row in made} for name, made in rows.items()}

    # The athlete

    def _athlete(self) -> Row:
        known: dict[str, Any] = {}
        for one in batteries_of(self.live):
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
            "erased_at": moment_of(erased[0].recorded_at) if erased else None,
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
            decided = sorted(decisions_of(own), key=lambda one: (one.content["verdict"]["as_of"], one.sequence))
            yield {
                **self.own,
                "id": episode,
                "ref": self._ref("episode", episode),
                **{name: facts.get(name) for name in _FACTS},
                "recurrence_of": facts.get("recurrence_of"),
                "closed_on": closed_on(own),
                **self._position(own),
                "current_decision_id": decided[-1].id if decided else None,
            }

    def _facts(self, episode: str, own: Sequence[Link]) -> dict[str, Any]:
        """Return the facts in force: of the first battery that counts (of any, where none does), then each change."""
        every = [one for one in self.chain if one.episode == episode]
        told = [one.content for one in (*batteries_of(own), *batteries_of(every)) if "episode" in one.content]
        facts = dict(told[0]["episode"]) if told else {}
        if told and "recurrence_of" in told[0]:
            facts["recurrence_of"] = told[0]["recurrence_of"]
        for one in own:
            if one.kind == record.EVENT and one.content.get("kind") in (record.RECLASSIFIED, record.CORRECTED):
                facts |= {name: one.content[name] for name in _FACTS if name in one.content}
        return facts

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
            "performed_at": moment_of(one.occurred_at),
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
            "as_of": moment_of(verdict["as_of"]),
            "decided_at": moment_of(one.recorded_at),
            "outcome": verdict["outcome"],
            **{kind: kind in verdict["hold_because"] for kind in HOLD_KINDS},
            "state": standing.state,
            "stands_until": standing.until,
            "signed_at": moment_of(signed[-1].recorded_at) if signed else None,
            "posted_by": one.actor,
        }

    def _unmet(self) -> Iterator[Row]:
        for one in decisions_of(self.chain):
            for criterion, part_of, status, *_ in one.content["verdict"]["reasons"]:
                if part_of is None and status != MET:
                    yield {
                        "organisation_id": self.own["organisation_id"],
                        "decision_id": one.id,
                        "criterion_id": criterion,
                        "status": status,
                        "decided_at": moment_of(one.recorded_at),
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


def _signs(sign_off: Link, decision: Link) -> bool:
    """Tell whether a sign-off settles a decision; who defers leaves it waiting."""
    said = sign_off.content
    return said.get("decision") == decision.id and said["determination"] != DEFER
