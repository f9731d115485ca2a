"""What an athlete's record says is due, and what has become of it: rows of tasks, made from the record alone."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid5

from service.domain import record
from service.domain.chain import ERASURE, Link

SIGN_OFF, OVERRIDE, DEFER = "sign_off", "override", "defer"
RESCHEDULED, CANCELLED, CHECK_IN_DONE = "retest_rescheduled", "retest_cancelled", "check_in_done"
RETEST, FOLLOW_UP, OVERRIDE_REVIEW = "retest", "follow_up", "override_review"
REFERRAL_OUTCOME, CHECK_IN = "referral_outcome", "check_in"
OPEN, CLOSED = "open", "closed"

# Practice, not evidence: an override is looked at again within 72 hours, so on the second or the third day after it.
REVIEW = {"after_days": 2, "window_days": 1}

# Practice, not evidence: as long as the sets give the outcome of a referral.
REFERRAL = {"after_days": 2, "window_days": 2}

# Practice, not evidence: how it goes 2, 6 and 12 weeks after the return to competition.
CHECK_INS: Mapping[str, timedelta] = {f"{weeks}_weeks": timedelta(weeks=weeks) for weeks in (2, 6, 12)}
CHECK_IN_WINDOW = 7
RETURNED = "competition"

# What people say of a task by an event; who puts it off leaves it open.
_TOLD = {RESCHEDULED: None, CANCELLED: "cancelled", CHECK_IN_DONE: "done"}

_ATTEMPTED = (record.MEASURED, record.UNABLE)

Row = dict[str, Any]


def task_id(kind: str, of: str) -> str:
    """Return the id of a task: it follows from the entry that it comes from, so that a rebuild finds it again."""
    return str(uuid5(UUID(of), kind))


def tasks_of(chain: Sequence[Link], live: Sequence[Link], findings: Sequence[Row]) -> Iterator[Row]:
    """Yield the row of every task of an athlete, open and closed.

    Args:
        chain: the athlete's entries in order, at least one.
        live: those that are neither void nor superseded.
        findings: the rows of the findings.
    """
    return _Tasks(chain, live, findings).made()


def batteries_of(chain: Sequence[Link]) -> list[Link]:
    """Return the batteries of a chain that were not erased."""
    return [one for one in chain if one.kind == record.BATTERY and one.content]


def decisions_of(chain: Sequence[Link]) -> list[Link]:
    """Return the decisions of a chain that were not erased."""
    return [one for one in chain if one.kind == record.DECISION and one.content]


def closed_on(own: Sequence[Link]) -> date | None:
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


def moment_of(text: str) -> datetime:
    """Return the moment of a text of the record."""
    return datetime.fromisoformat(text)


class _Change(NamedTuple):
    """What an entry does to a task: why it closes it, None where it moves it."""

    by: Link
    because: str | None


class _Tasks:
    """One pass over an athlete's entries."""

    def __init__(self, chain: Sequence[Link], live: Sequence[Link], findings: Sequence[Row]) -> None:
        self.chain = chain
        self.live = live
        self.counting = {one.id for one in live}
        self.findings = findings
        self.own = {"organisation_id": chain[0].organisation, "athlete_id": chain[0].athlete}
        self.erasure = next((one for one in chain if one.kind == ERASURE), None)
        self.closed_by = self._closings()
        self.occasion_of = self._occasions()
        self.mornings = self._mornings()

    def made(self) -> Iterator[Row]:
        for episode in dict.fromkeys(one.episode for one in self.chain if one.episode):
            decided = [one for one in decisions_of(self.chain) if one.episode == episode]
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
            if one.id not in self.counting:
                ends[one.id] = []  # it is void, and its retest with it
            elif current is None or _place(one) >= _place(current):
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
            for battery in batteries_of(self.live)
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
        settling = [one for one in signed if one.id in self.counting and one.content.get("determination") != DEFER]
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
        for finding in self.findings:
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
                answers = [_Change(other, "done") for other in batteries_of(own) if other.occurred_on >= near]
                yield self._settled(row, one, [*ends, *answers])

    def _closings(self) -> dict[str | None, Link]:
        """Return the last entry of each episode that is closed."""
        own: dict[str | None, list[Link]] = {}
        for one in self.live:
            own.setdefault(one.episode, []).append(one)
        return {episode: links[-1] for episode, links in own.items() if closed_on(links) is not None}

    def _occasions(self) -> dict[str | None, str]:
        """Return the first battery of the occasion of each battery; a corrected one stays in its occasion."""
        first_of: dict[Any, str] = {}
        found: dict[str | None, str] = {}
        for one in batteries_of(self.chain):
            place = (one.episode, one.content.get("occasion", one.id), one.occurred_on)
            found[one.id] = found.get(one.content.get("supersedes")) or first_of.get(place, one.id)
            first_of.setdefault(place, found[one.id])
        return found

    def _mornings(self) -> dict[str, list[Link]]:
        """Return the follow-ups that count by the first battery of the occasion that each follows."""
        found: dict[str, list[Link]] = {}
        for one in batteries_of(self.live):
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
            "updated_at": moment_of(one.recorded_at),
        }

    def _settled(self, row: Row, one: Link, ends: Sequence[_Change]) -> Row:
        """Return a task after what happened to it in the order of the record, to its decision and to its episode."""
        told = [
            _Change(event, _TOLD[event.content["kind"]])
            for event in self.live
            if event.kind == record.EVENT
            and event.content.get("kind") in _TOLD
            and event.content.get("task") == row["id"]
        ]
        for by, because in sorted((*ends, *told), key=lambda change: change.by.sequence):
            if because is not None:
                self._close(row, because, by)
            elif row["state"] == OPEN:
                self._change(row, by, due_on=date.fromisoformat(by.content["due_on"]))
        if one.id not in self.counting:
            self._close(row, "void", one)
        elif self.erasure is not None:
            self._close(row, "erased", self.erasure)
        elif one.episode in self.closed_by:
            self._close(row, "episode_closed", self.closed_by[one.episode])
        return row

    def _close(self, row: Row, because: str, by: Link) -> None:
        if row["state"] == OPEN:
            self._change(row, by, state=CLOSED, closed_because=because)

    @staticmethod
    def _change(row: Row, by: Link, **values: Any) -> None:
        row |= values | {"updated_at": moment_of(by.recorded_at)}


def _is_setback(one: Link) -> bool:
    return one.kind == record.EVENT and one.content.get("kind") in record.SETBACKS


def _is_back(one: Link) -> bool:
    return bool(one.content["position"].get("participation") == RETURNED)


def _place(one: Link) -> tuple[str, int]:
    return one.content["verdict"]["as_of"], one.sequence
