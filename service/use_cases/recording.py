"""Add entries to one athlete's record: the chain, and the state that follows from it, in one transaction.

Posting, deciding, appending and erasing all write through here.
"""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from service.domain import record
from service.domain.chain import ERASURE, Head, Link, head_of, link
from service.domain.criteria import CriteriaSet
from service.domain.errors import ConflictError, FieldError, NotFoundError
from service.domain.evidence import Evidence
from service.domain.record import Entry, instant
from service.domain.standing import WITHDRAWN, Folded, History, Standing, moment_now, standing
from service.store import audit, entries, history, people, state
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.context import Caller, Context
from service.use_cases.events import news_of_record
from service.use_cases.in_force import by_digest
from service.use_cases.outbox import tell_all
from service.use_cases.reminding import follow
from service.use_cases.withdrawing import newly_withdrawn

SALT_BYTES = 16
ATHLETE, ERASED, REF_TAKEN = "athlete", "erased", "ref_taken"


@dataclass(slots=True)
class Recording:
    """One athlete's record, kept from other writers, and what is being added to it."""

    tx: Tx
    caller: Caller
    now: datetime
    athlete: str
    chain: list[Link]
    before: state.State
    standings: dict[str, Standing]
    added: list[Link] = field(default_factory=list)
    after: state.State = field(default_factory=dict)
    folded: dict[Folded, Evidence | None] = field(default_factory=dict)

    @property
    def head(self) -> Head:
        """Return where the chain ends now."""
        return head_of(self.chain)

    @property
    def entries(self) -> list[Entry]:
        """Return the entries as the engine reads them."""
        return [one.entry for one in self.chain]

    @property
    def today(self) -> date:
        """Return today in the organisation's zone."""
        return self.now.astimezone(self.caller.zone).date()

    def start_of(self, on: date) -> datetime:
        """Return the moment at which a date begins in the organisation's zone."""
        return datetime.combine(on, time(), self.caller.zone)

    def criteria(self, digest: str) -> CriteriaSet:
        """Return the criteria set of a decision on record."""
        return by_digest(self.tx, self.caller.organisation, digest)

    def add(  # noqa: PLR0913 - an entry has these parts
        self,
        kind: str,
        *,
        id_: str,
        episode: str | None,
        at: str,
        on: date,
        document: Mapping[str, Any],
        private: Mapping[str, Any],
    ) -> Link:
        """Add an entry to the end of the chain."""
        added = link(
            self.head,
            organisation=self.caller.organisation,
            athlete=self.athlete,
            id_=id_,
            kind=kind,
            episode=episode,
            occurred_at=at,
            occurred_on=on,
            recorded_at=instant(self.now),
            actor=self.caller.actor,
            salt=secrets.token_hex(SALT_BYTES),
            document=document,
            private=private,
        )
        self.chain.append(added)
        self.added.append(added)
        return added

    def history(self, *extra: Entry) -> History:
        """Return the record as it is now, for what becomes of its decisions."""
        now = moment_now(self.chain, instant(self.now), self.today)
        return History([*self.entries, *extra], self.criteria, now, self.folded)

    def close(self) -> dict[str, Standing]:
        """Write the entries and the state that follows from them.

        Returns:
            What has become of each decision whose standing changed by it.
        """
        changed = self._standings()
        self.after = state.state_of(self.chain, self.standings | changed)
        self._refuse_taken_refs()
        state.write_names(self.tx, self.before, self.after)
        entries.add(self.tx, self.added)
        state.write_rest(self.tx, self.before, self.after)
        self._remind()
        self._tell(newly_withdrawn(self.standings, changed))
        self._note()
        return changed

    def _refuse_taken_refs(self) -> None:
        """Refuse a ref that came to the athlete, or to an episode, while somebody else has it.

        The refs of a battery were looked up before; who loses a race for one is run again, and finds whose it is.

        Raises:
            ConflictError: ref_taken.
        """
        if any(one.kind == record.BATTERY for one in self.added):
            return
        for table, find in (("athletes", people.athlete_of_ref), ("episodes", people.episode_id_of_ref)):
            for key, row in self.after[table].items():
                ref = row["ref"]
                if ref is None or ref == self.before[table].get(key, {}).get("ref"):
                    continue
                taken = find(self.tx, self.caller.organisation, ref)
                if taken not in (None, row["id"]):
                    detail = f"{ref!r} is the ref of another of the {table}"
                    link = f"/v1/{table}/{taken}"
                    raise ConflictError(REF_TAKEN, detail, errors=[FieldError("#/ref", REF_TAKEN, detail)], link=link)

    def _standings(self) -> dict[str, Standing]:
        """Return the standings that changed.

        Only a void brings back what was superseded. What was withdrawn comes back by itself, with a finding that is
        closed or a test without a stop.
        """
        decisions = [one for one in self.chain if one.kind == record.DECISION and one.content]
        is_void = any(one.kind == record.VOID for one in self.added)
        open_ = [one for one in decisions if is_void or self.standings.get(one.id, _NEW).state in _MAY_CHANGE]
        known = self.history()
        found = {one.id: _stored(standing(one.entry, known, known=self.standings.get(one.id))) for one in open_}
        return {key: one for key, one in found.items() if self.standings.get(key) != one}

    def _remind(self) -> None:
        before, after = self.before["tasks"], self.after["tasks"]
        follow(self.tx, self.caller.organisation, self.now, before=before, after=after)

    def _tell(self, withdrawn: list[str]) -> None:
        news = news_of_record(self.added, withdrawn, self.after["decisions"], self.now)
        tell_all(self.tx, self.caller.organisation, news, self.now)

    def _note(self) -> None:
        for one in self.added:
            audit.note(
                self.tx,
                organisation=self.caller.organisation,
                id_=new_id(self.now),
                at=self.now,
                actor=self.caller.actor,
                action=f"record_{one.kind}",
                object_kind=one.kind,
                object_id=one.id,
                athlete=self.athlete,
                request_id=self.caller.request_id,
            )


_NEW = Standing(state.IS_STANDING, None)
_MAY_CHANGE = (state.IS_STANDING, WITHDRAWN)


def _stored(one: Standing) -> Standing:
    """Return a standing as it is kept: a pass expires by itself, on read."""
    return Standing(state.IS_STANDING, one.until) if one.state == "expired" else one


def opened(tx: Tx, context: Context, caller: Caller, athlete: str, *, is_erasing: bool = False) -> Recording:
    """Return an athlete's record, locked until the transaction ends.

    Args:
        tx: the transaction.
        context: the service.
        caller: who adds to it.
        athlete: the athlete.
        is_erasing: open also what was erased in part.

    Raises:
        NotFoundError: the organisation has no such athlete.
        ConflictError: the athlete was erased; nothing can be added.
    """
    head = entries.head(tx, caller.organisation, athlete, is_locked=True)
    if head is None:
        raise NotFoundError(ATHLETE, athlete)
    found = looked_at(tx, context, caller, athlete)
    if not found.chain:
        row = people.athlete_without_entries(tx, caller.organisation, athlete)
        found.before["athletes"] = {(athlete,): row}
    elif any(one.kind == ERASURE for one in found.chain) and not is_erasing:
        message = "this athlete was erased; nothing can be added to the record"
        raise ConflictError(ERASED, message)
    return found


def looked_at(tx: Tx, context: Context, caller: Caller, athlete: str) -> Recording:
    """Return an athlete's record, not locked and so never to be closed; of an athlete who is none yet, an empty one."""
    chain = entries.read(tx, caller.organisation, athlete)
    standings = history.standings(tx, caller.organisation, athlete)
    before = state.state_of(chain, standings)
    return Recording(tx, caller, context.clock(), athlete, chain, before, standings)
