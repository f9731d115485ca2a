"""Post a battery: check it, keep it, judge it, keep the decision, in one transaction."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import product
from typing import Any

from service.domain import record
from service.domain.battery import battery_document, canonical_value, catalogue_faults, record_faults, time_faults
from service.domain.canonical import canonical, digest
from service.domain.chain import Link
from service.domain.criteria import CriteriaSet
from service.domain.errors import (
    INVALID_BATTERY,
    AmbiguousCriteriaSetError,
    ConflictError,
    FieldError,
    InvalidDocumentError,
    NoCriteriaInForceError,
)
from service.domain.evidence import Evidence
from service.domain.record import Moment, gone, instant
from service.domain.standing import WITHDRAWN, Standing, withdrawn_because
from service.store import entries, history
from service.store.database import Tx
from service.store.idempotency import Claim, claim
from service.store.ids import new_id
from service.use_cases.context import Caller, Context, Created
from service.use_cases.decision_view import decision_view, stored_view
from service.use_cases.history import show
from service.use_cases.in_force import catalogue, choose, widest_follow_up_days
from service.use_cases.judging_record import correction_flags, decide, evidence_now, facts_in_force, usual_set
from service.use_cases.naming import (
    CONFLICTS,
    NEW_EPISODE,
    Revision,
    Subject,
    fact_conflicts,
    identity_conflicts,
    open_conflicts,
    revision_of,
    subject_of,
)
from service.use_cases.recording import Recording, opened
from service.use_cases.withdrawing import newly_withdrawn, withdrawn_by

ROUTE = "POST /v1/batteries"
ALREADY_MEASURED = "already_measured"
_MEASURED_BEFORE = "duplicate"
_FAR_FUTURE = "9999"


def post_battery(context: Context, caller: Caller, body: Mapping[str, Any], key: str) -> Created:
    """Keep a battery and, where it asks about a stage, judge it.

    Args:
        context: the service.
        caller: who posts.
        body: what `schemas.battery.BatterySchema` loads.
        key: the Idempotency-Key.

    Returns:
        The decision as it is answered, or the battery where nothing was judged; `id` is the battery's.

    Raises:
        InvalidDocumentError: every fault against catalogue, criteria set and record.
        ConflictError: what is on record stands against it.
        NoCriteriaInForceError: no version judges this condition on that day.
        UnknownStageError: the set in force has no such stage.
    """
    asked = digest(canonical(canonical_value(body)))

    def work(tx: Tx) -> Created:
        now = context.clock()
        battery = new_id(now)
        first = claim(tx, Claim(caller.organisation, caller.actor, key, ROUTE, asked), battery, now)
        if first is not None:
            return Created(_answered_before(tx, context, caller, first), first, replayed=True)
        subject = subject_of(tx, caller, body, now)
        recording = opened(tx, context, caller, subject.athlete)
        revision = revision_of(tx, caller, body, recording.chain)
        posting = Posting(recording, caller, body, subject, revision, context.service_version)
        return Created(posting.done(battery), battery)

    return context.database.write(work)


def _answered_before(tx: Tx, context: Context, caller: Caller, battery: str) -> dict[str, Any]:
    """Return the answer to the first request of a key, as it reads today."""
    decided = history.decision_of_battery(tx, caller.organisation, battery)
    if decided is not None:
        return decision_before(tx, context, caller, decided)
    kept = entries.find(tx, caller.organisation, battery)
    assert kept is not None, "a claim is kept with what it made"
    chain = entries.read(tx, caller.organisation, kept.athlete)
    withdrawn = withdrawn_by(tx, caller, chain, first=kept.sequence, last=kept.sequence)
    return stored_view(kept, withdrawn, correction_flags(tx, caller.organisation, chain, kept))


def decision_before(tx: Tx, context: Context, caller: Caller, row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a decision that an earlier request made, as it reads today."""
    chain = entries.read(tx, caller.organisation, row["athlete_id"])
    # A battery comes right before the decision that it was posted for.
    first = row["sequence"] - (row["battery_id"] is not None)
    withdrawn = withdrawn_by(tx, caller, chain, first=first, last=row["sequence"])
    return show(tx, caller, row, context.clock().astimezone(caller.zone).date()) | {"withdrawn": withdrawn}


def decided_answer(recording: Recording, decision: Link, changed: Mapping[str, Standing]) -> dict[str, Any]:
    """Return the decision that was just made and kept, and those that no longer stand because of it."""
    judged_by = recording.criteria(decision.content["verdict"]["criteria"])
    row = recording.after["decisions"][(decision.id,)]
    tasks = {key[0] for key in recording.after["tasks"]}
    why = withdrawn_because(decision.entry, recording.history()) if row["state"] == WITHDRAWN else None
    answer = decision_view(decision, judged_by, row, tasks=tasks, today=recording.today, withdrawn_because=why)
    return answer | {"withdrawn": newly_withdrawn(recording.standings, changed)}


@dataclass(slots=True)
class Posting:
    """One battery on its way into one athlete's record."""

    recording: Recording
    caller: Caller
    body: Mapping[str, Any]
    subject: Subject
    revision: Revision
    service_version: str

    def done(self, id_: str) -> dict[str, Any]:
        """Check, keep and judge the battery; return the answer."""
        battery, criteria = self.checked(id_)
        decision = self._judged(battery, criteria)
        changed = self.recording.close()
        if decision is None:
            withdrawn = newly_withdrawn(self.recording.standings, changed)
            corrected = correction_flags(self.recording.tx, self.caller.organisation, self.recording.chain, battery)
            return stored_view(battery, withdrawn, corrected)
        return decided_answer(self.recording, decision, changed)

    def checked(self, id_: str) -> tuple[Link, CriteriaSet | None]:
        """Check the battery and add it to the record; return it, and the version that judges an assessment."""
        episode = self._episode()
        gone_before = gone(self.recording.entries)
        facts = self._facts(episode, gone_before)
        on = self.body["performed_at"].astimezone(self.caller.zone).date()
        criteria = self._criteria(facts, on)
        self._refuse_faults(on, facts, criteria)
        battery = self._kept(id_, episode, facts, on)
        self._refuse_misfits(battery, gone_before)
        return battery, criteria

    # What is on record

    def _episode(self) -> str | None:
        """Return the episode; a follow-up that names none has that of the battery it follows."""
        if "follows" not in self.revision.names:
            return self.subject.episode
        followed = next(one for one in self.recording.chain if one.id == self.revision.names["follows"])
        if followed.content.get("kind") != record.ASSESSMENT:
            detail = "a follow-up comes after an assessment; this names another kind of battery"
            raise InvalidDocumentError(INVALID_BATTERY, [FieldError("#/follows", CONFLICTS, detail)])
        if self.subject.episode not in (None, followed.episode):
            detail = "the battery that this follows belongs to another episode"
            raise ConflictError(CONFLICTS, detail, errors=[FieldError("#/follows", CONFLICTS, detail)])
        return followed.episode

    def _facts(self, episode: str | None, gone_before: set[str]) -> Mapping[str, Any] | None:
        """Return the facts of the episode that this battery is judged with: as they are known now, whenever it was.

        What was in force when it was performed may be sent too.

        Raises:
            ConflictError: what is sent differs from what is on record.
        """
        chain, body = self.recording.chain, self.body
        faults = list(identity_conflicts(self._person(gone_before), body["athlete"]))
        then = now = None
        if episode is not None:
            then = facts_in_force(chain, episode, gone_before, at=instant(body["performed_at"]))
            now = facts_in_force(chain, episode, gone_before, at=_FAR_FUTURE)
        if "episode" in body:
            faults += fact_conflicts([facts for facts in (then, now) if facts is not None], body["episode"])
        if NEW_EPISODE in self.subject.created and not list(self._recurrence_faults()):
            faults += open_conflicts(self._by_id(), body["episode"], self._recurrence_of())
        if faults:
            message = "what is sent differs from what is on record; nothing was stored"
            raise ConflictError(CONFLICTS, message, errors=faults)
        return now if now is not None else body.get("episode")

    def _person(self, gone_before: set[str]) -> dict[str, Any]:
        """Return what the batteries that count say of the person, but for the one that this takes the place of."""
        told: dict[str, Any] = {}
        for one in self.recording.chain:
            if one.id not in gone_before and one.id != self.revision.names.get("supersedes"):
                told |= one.content.get("athlete", {}) if one.kind == record.BATTERY else {}
        return told

    def _criteria(self, facts: Mapping[str, Any] | None, on: date) -> CriteriaSet | None:
        """Return the version that judges an assessment, None where nobody judges it yet."""
        if "target_stage" not in self.body or facts is None:
            return None
        try:
            chosen = choose(
                self.recording.tx,
                self.caller.organisation,
                condition=facts["condition"],
                on=on,
                set_id=self.body.get("criteria_set"),
                version=self.body.get("criteria_version"),
            )
        except NoCriteriaInForceError as error:
            day = error.in_force_from
            raise NoCriteriaInForceError(error.message, in_force_from=day, pointer=self._to_mend(day)) from None
        chosen.gate(self.body["target_stage"])
        return chosen

    def _to_mend(self, in_force_from: str | None) -> str | None:
        """Return what of the body nothing judges: its day where something does later, else its set or its condition."""
        if in_force_from is not None:
            return "#/performed_at"
        if "criteria_set" in self.body:
            return "#/criteria_set"
        return "#/episode/condition" if "episode" in self.body else None

    # What is refused

    def _refuse_faults(self, on: date, facts: Mapping[str, Any] | None, criteria: CriteriaSet | None) -> None:
        known = catalogue(self.recording.tx, self.caller.organisation)
        referral = known.referral if criteria is None else tuple(one.id for one in criteria.referral)
        onset = facts["onset_on"] if facts is not None else None
        found = [
            *catalogue_faults(self.body, known.catalogue, referral),
            *time_faults(self.body, on, onset, self.recording.now),
            *self._recurrence_faults(),
        ]
        if found:
            raise InvalidDocumentError(INVALID_BATTERY, [one._replace(pointer=f"#{one.pointer}") for one in found])

    def _recurrence_faults(self) -> Iterator[FieldError]:
        ref = self.body.get("episode", {}).get("recurrence_of")
        if ref is not None and self._recurrence_of() is None:
            yield FieldError("/episode/recurrence_of", "unknown_name", f"the athlete has no other episode {ref!r}")

    def _recurrence_of(self) -> str | None:
        ref = self.body.get("episode", {}).get("recurrence_of")
        return next((key for key, row in self._by_id().items() if ref is not None and row["ref"] == ref), None)

    def _by_id(self) -> dict[str, Mapping[str, Any]]:
        """Return the athlete's episodes by id, as they were before this battery."""
        return {row["id"]: row for row in self.recording.before["episodes"].values()}

    def _refuse_misfits(self, battery: Link, gone_before: set[str]) -> None:
        """Refuse what does not fit to the athlete's other batteries."""
        replaced = self.revision.names.get("supersedes")
        others = [one.entry for one in self.recording.chain[:-1] if one.kind == record.BATTERY]
        live = [one for one in others if one.id not in gone_before and one.id != replaced]
        superseded = next((one for one in others if one.id == replaced), None)
        days = self._follow_up_days(battery)
        found = list(record_faults(battery.entry, live, days, replaced=superseded))
        if not found:
            return
        faults = [one._replace(pointer=f"#{self._sent_place(one.pointer, battery)}") for one in found]
        if all(one.code == _MEASURED_BEFORE for one in found):
            message = "what this battery measures was measured in this occasion before; supersede that battery"
            raise ConflictError(ALREADY_MEASURED, message, errors=faults)
        raise InvalidDocumentError(INVALID_BATTERY, faults)

    def _follow_up_days(self, battery: Link) -> int:
        """Return how long after an occasion its morning may be told: as the set says that judges the condition."""
        if battery.content["kind"] != record.FOLLOW_UP:
            return 0
        tx, organisation = self.recording.tx, self.caller.organisation
        usual = usual_set(tx, organisation, self.recording.chain, battery)
        return usual.follow_up_days if usual is not None else widest_follow_up_days(tx, organisation)

    def _sent_place(self, where: str, battery: Link) -> str:
        """Return where a measurement of the document, which sorts them, stands in the body."""
        place = where.removeprefix("/measurements/")
        if place == where:
            return where
        kept = battery.content["measurements"][int(place)]
        sent = [(one["test"], one.get("side")) for one in self.body["measurements"]]
        return f"/measurements/{sent.index((kept['test'], kept.get('side')))}"

    # What is kept

    def _kept(self, id_: str, episode: str | None, facts: Mapping[str, Any] | None, on: date) -> Link:
        body = {**self.body, "episode": facts or {}}
        document = battery_document(body, on, names=self.revision.names)
        if episode is None or facts is None:
            del document["episode"]
        more = {
            "revision": self.revision.number,
            "created": list(self.subject.created),
            "target_stage": self.body.get("target_stage"),
            "recurrence_of": self._recurrence_of(),
        }
        private = {
            "athlete_ref": self.body["athlete"]["ref"],
            "episode_ref": self.body.get("episode", {}).get("ref"),
            "ref": self.body.get("ref"),
            "tester": self.body.get("tester"),
        }
        return self.recording.add(
            record.BATTERY,
            id_=id_,
            episode=episode,
            at=document["performed_at"],
            on=on,
            document=document | _without_none(more),
            private=_without_none(private),
        )

    # What is judged

    def _judged(self, battery: Link, criteria: CriteriaSet | None) -> Link | None:
        """Add the decision that a battery asks for, None where it asks for none or comes too late."""
        is_follow_up = battery.content["kind"] == record.FOLLOW_UP
        if battery.episode is None or (criteria is None and not is_follow_up):
            return None
        as_of = Moment(battery.occurred_at, battery.occurred_on)
        evidence = evidence_now(self.recording, battery.episode, as_of, posted=True)
        if evidence is None:
            return None
        stage = self.body.get("target_stage")
        if is_follow_up:
            criteria, stage = self._as_before(evidence, battery)
        if criteria is None or stage is None:
            return None
        return decide(
            self.recording,
            evidence,
            criteria,
            stage,
            service_version=self.service_version,
            created=self.subject.created,
        )

    def _as_before(self, evidence: Evidence, battery: Link) -> tuple[CriteriaSet | None, str | None]:
        """Return by what a follow-up is judged: the stage of the latest decision made of the occasion it follows."""
        if evidence.judged is None:
            return None, None
        occasion = set(evidence.judged.batteries)
        taken_back = gone(self.recording.entries)
        made = [
            one
            for one in self.recording.chain
            if one.kind == record.DECISION and one.id not in taken_back and one.content["occasion"] in occasion
        ]
        if not made:
            return None, None
        latest = made[-1].content
        days = (battery.occurred_on, evidence.judged.on)
        return self._in_force(latest, evidence.facts.condition, days), latest["verdict"]["stage"]

    def _in_force(self, latest: Mapping[str, Any], condition: str, days: Iterable[date]) -> CriteriaSet | None:
        """Return the version in force on the morning; where none is any more, the one of the evening.

        A version that was recalled since is in force on neither day, and judges nothing again.
        """
        tx, organisation = self.recording.tx, self.caller.organisation
        for on, set_id in product(days, (latest["criteria_set"]["id"], None)):
            try:
                found = choose(tx, organisation, condition=condition, on=on, set_id=set_id)
            except (NoCriteriaInForceError, AmbiguousCriteriaSetError):
                continue
            if latest["verdict"]["stage"] in found.gates:
                return found
        return None


def _without_none(values: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}
