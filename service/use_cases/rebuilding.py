"""Compare the current state with what the record says, and put it right.

State is written with the entries that it follows from, by the same function; a difference means that somebody changed
the database beside the service, or a fault of ours. A record whose chain does not hold is never written from: what it
says is not what was recorded.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from service.domain import record
from service.domain.chain import Head, Link, broken_at
from service.domain.errors import NotFoundError
from service.domain.record import Moment, instant
from service.domain.standing import EXPIRED, STANDING, History, Standing, moment_now, standing
from service.store import access, entries, rebuilding, state
from service.store.access import Organisation
from service.store.database import Tx
from service.use_cases.context import Context
from service.use_cases.in_force import by_digest
from service.use_cases.reminding import follow

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Difference:
    """A row of the state that is not what the record says.

    Attributes:
        organisation: whose it is.
        athlete: whose record it follows from.
        table: where it stands.
        key: its key, as `column=value`.
        columns: what differs; empty where the row is missing, or should not be there.
    """

    organisation: str
    athlete: str
    table: str
    key: str
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Broken:
    """A record whose chain does not hold from a sequence on; nothing of its state was compared or written."""

    organisation: str
    athlete: str
    first_broken: int


@dataclass(slots=True)
class Report:
    """What was looked at, and what was found."""

    athletes: int = 0
    entries: int = 0
    differences: list[Difference] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)

    @property
    def is_clean(self) -> bool:
        """Tell whether the state is what the record says."""
        return not self.differences and not self.broken


def check(context: Context, organisation: str | None = None, progress: Progress | None = None) -> Report:
    """Return where the state differs from the record; nothing is written.

    Args:
        context: the parts of the service that runs.
        organisation: only this one; None for every one.
        progress: told after each athlete how many have been looked at.

    Raises:
        NotFoundError: there is no such organisation.
    """
    return _every(context, organisation, progress, may_write=False)


def rebuild(context: Context, organisation: str | None = None, progress: Progress | None = None) -> Report:
    """Write the state as the record says, and return what differed before; arguments and faults are those of `check`.

    Each athlete is a transaction of its own, locked against other writers; people may go on working.
    """
    return _every(context, organisation, progress, may_write=True)


def _every(context: Context, organisation: str | None, progress: Progress | None, *, may_write: bool) -> Report:
    report = Report()
    for one in context.database.read(lambda tx: _organisations(tx, organisation)):
        for athlete in rebuilding.athlete_ids(context.database, one.id):
            found = context.database.read(_Looking(context, one, athlete, may_write=False))
            if may_write and found.differences:
                found = context.database.write(_Looking(context, one, athlete, may_write=True))
            report.athletes += 1
            report.entries += found.entries
            report.differences += found.differences
            report.broken += found.broken
            if progress is not None:
                progress(report.athletes)
    return report


def _organisations(tx: Tx, organisation: str | None) -> list[Organisation]:
    if organisation is None:
        return access.every_organisation(tx)
    found = access.organisation(tx, organisation)
    if found is None:
        what = "organisation"
        raise NotFoundError(what, organisation)
    return [found]


@dataclass(frozen=True, slots=True)
class _Looking:
    """One athlete, looked at inside a transaction; called again where the transaction is run again."""

    context: Context
    home: Organisation
    athlete: str
    may_write: bool

    def __call__(self, tx: Tx) -> Report:
        head = entries.head(tx, self.home.id, self.athlete, is_locked=self.may_write) or Head(0, None)
        chain = entries.read(tx, self.home.id, self.athlete)
        report = Report(entries=len(chain))
        broken = broken_at(chain, head)
        if broken is not None:
            report.broken.append(Broken(self.home.id, self.athlete, broken))
            return report
        if not chain:
            return report  # an athlete without an entry has only the row that says so
        stored = state.stored_state(tx, self.home.id, self.athlete)
        rebuilt = state_now(tx, self.home.id, chain, self._now(chain))
        report.differences += [
            Difference(self.home.id, self.athlete, table, _key_text(table, key), columns)
            for table, key, columns in rebuilding.differing(stored, rebuilt)
        ]
        if self.may_write:
            state.write(tx, stored, rebuilt)
            follow(tx, self.home.id, self.context.clock(), before=stored["tasks"], after=rebuilt["tasks"])
        return report

    def _now(self, chain: list[Link]) -> Moment:
        now = self.context.clock()
        return moment_now(chain, instant(now), now.astimezone(ZoneInfo(self.home.time_zone)).date())


def state_now(tx: Tx, organisation: str, chain: Sequence[Link], now: Moment) -> state.State:
    """Return the state that follows from a record whose chain holds; what became of each decision is found anew."""
    history = History([one.entry for one in chain], lambda digest: by_digest(tx, organisation, digest), now)
    decisions = [one for one in chain if one.kind == record.DECISION and one.content]
    return state.state_of(chain, {one.id: _kept(standing(one.entry, history)) for one in decisions})


def _kept(one: Standing) -> Standing:
    """Return a standing as it is kept: a pass expires by itself, on read."""
    return Standing(STANDING, one.until) if one.state == EXPIRED else one


def _key_text(table: str, key: tuple[str, ...]) -> str:
    return ", ".join(f"{name}={value}" for name, value in zip(rebuilding.key_columns(table), key, strict=True))
