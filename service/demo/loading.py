"""Load the invented club into an empty record: each step at its own time, through the use case behind its route."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from marshmallow import Schema

from schemas.appending import (
    PostedConfirmationSchema,
    PostedEventSchema,
    PostedExceptionSchema,
    PostedResolutionSchema,
    StoredEvidenceSchema,
)
from schemas.battery import BatterySchema
from schemas.faults import load
from schemas.signing import SignOffSchema
from service.demo.bodies import (
    athlete_body,
    baseline_body,
    episode_body,
    moment,
    morning_body,
    visit_body,
)
from service.demo.club import ADMINISTRATOR, CLUB, STAFF, STORIES, ZONE, ZONE_NAME
from service.demo.story import (
    PHYSIO,
    RECORDS,
    Baseline,
    Decided,
    Excepted,
    Happened,
    Injury,
    Morning,
    Resolved,
    SidesConfirmed,
    SignedOff,
    Step,
    Story,
    Visit,
)
from service.use_cases.access import authenticate, operator
from service.use_cases.choosing import shipped_sets
from service.use_cases.context import Caller, Context, Created
from service.use_cases.deciding import decide_now
from service.use_cases.giving_keys import give_key
from service.use_cases.governing import adopt
from service.use_cases.organisations import create_organisation, list_organisations
from service.use_cases.overruling import confirm_battery, except_criterion, resolve_finding
from service.use_cases.posting import post_battery
from service.use_cases.signing import sign_decision
from service.use_cases.telling_events import tell_event

FOUNDED_DAYS_AGO = 400
"""The club has kept its record for longer than any story lasts, and the criteria have been in force as long."""

KEPT_KEYS = {"submitter": RECORDS, "clinician": PHYSIO, "administrator": ADMINISTRATOR}
"""Whose keys the user is given, by role."""

Told = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Answered:
    """What a judged step was answered."""

    story: Story
    step: Visit | Morning | Decided
    answer: Mapping[str, Any]


def load_club(
    context: Context,
    today: date,
    *,
    stories: Sequence[Story] = STORIES,
    tell: Told = lambda _: None,
    answered: Callable[[Answered], None] = lambda _: None,
) -> dict[str, str]:
    """Load the club into a record that has no organisation yet.

    Args:
        context: the parts of the service that runs.
        today: from which the days of the stories count, in the club's time zone.
        stories: which athletes.
        tell: is told what is being loaded.
        answered: is given what each judged step was answered.

    Returns:
        The secrets of three access keys, by role.
    """
    founding = _at(context, moment(today, -FOUNDED_DAYS_AGO, "09:00"))
    staff, secrets = _found(founding, today)
    for place, story in enumerate(stories, start=1):
        tell(f"{place} of {len(stories)}: {story.ref}, {story.title}")
        for injury in story.injuries:
            _Telling(context, staff, story, injury, today, answered).run()
    return {role: secrets[who] for role, who in KEPT_KEYS.items()}


def loaded_on(context: Context) -> date:
    """Return the day from which the days of the stories count in a record that the club was loaded into."""
    club, *_ = list_organisations(context)
    founded = datetime.fromisoformat(club["created_at"])
    return founded.astimezone(ZONE).date() + timedelta(days=FOUNDED_DAYS_AGO)


def _at(context: Context, now: datetime) -> Context:
    return replace(context, clock=lambda: now)


def _found(context: Context, today: date) -> tuple[dict[str, Caller], dict[str, str]]:
    """Make the club, its staff and their keys, and let what ships judge; return who calls, and with which secrets."""
    made = create_organisation(context, {"name": CLUB, "time_zone": ZONE_NAME})
    office = operator(context, made["organisation"]["id"])
    for one in shipped_sets():
        since = today - timedelta(days=FOUNDED_DAYS_AGO)
        adopt(context, office, {"id": one.id, "version": one.version, "in_force_from": since})
    secrets = {key: give_key(context, office, _actor(key), {})["secret"] for key in STAFF}
    callers = {key: authenticate(context, secret) for key, secret in secrets.items()}
    return {key: caller for key, caller in callers.items() if caller is not None}, secrets


def _actor(key: str) -> dict[str, Any]:
    person = STAFF[key]
    kind = "system" if person.profession is None else "person"
    profession = {} if person.profession is None else {"profession": person.profession}
    return {"display_name": person.name, "kind": kind, "roles": [person.role], **profession}


@dataclass(slots=True)
class _Telling:
    """One injury as it is told: what later steps name of earlier ones."""

    context: Context
    staff: Mapping[str, Caller]
    story: Story
    injury: Injury
    today: date
    answered: Callable[[Answered], None]
    episode: str = ""
    battery: str = ""
    decision: Mapping[str, Any] | None = None
    visit: Visit | None = None
    is_new: bool = True

    def run(self) -> None:
        """Tell the steps in their order."""
        ways: Mapping[type, Callable[[Any, Context, Caller, str], Created]] = {
            Visit: self._visit,
            Morning: self._morning,
            Baseline: self._baseline,
            Happened: self._happened,
            Resolved: self._resolved,
            Excepted: self._excepted,
            SidesConfirmed: self._confirmed,
            Decided: self._decided,
            SignedOff: self._signed,
        }
        for place, step in enumerate(self.injury.steps, start=1):
            now = _at(self.context, moment(self.today, _posted_on(step), step.at))
            key = f"demo-{self.story.ref}-{self.story.injuries.index(self.injury) + 1}-{place}"
            made = ways[type(step)](step, now, self.staff[step.by], key)
            if isinstance(step, Visit | Morning | Decided):
                self._note(step, made)

    def _note(self, step: Visit | Morning | Decided, made: Created) -> None:
        self.episode = made.answer["episode_id"]
        if isinstance(step, Visit):
            self.battery, self.visit = made.id, step
        if step.expected is not None:
            self.decision = made.answer
            self.answered(Answered(self.story, step, made.answer))

    # Batteries

    def _post(self, body: dict[str, Any], now: Context, caller: Caller, key: str, *, has_episode: bool) -> Created:
        is_first = self.is_new and self.injury is self.story.injuries[0]
        body["athlete"] = athlete_body(self.story, self.today) | ({"new": True} if is_first else {})
        self.is_new = False
        if has_episode:
            is_first = not self.episode
            body["episode"] = episode_body(self.story, self.injury, self.today) | ({"new": True} if is_first else {})
        return post_battery(now, caller, _loaded(BatterySchema(), body), key)

    def _visit(self, step: Visit, now: Context, caller: Caller, key: str) -> Created:
        body = visit_body(self.story, self.injury, step, self.today)
        return self._post(body, now, caller, key, has_episode=True)

    def _morning(self, step: Morning, now: Context, caller: Caller, key: str) -> Created:
        assert self.visit is not None, "a morning comes after a visit"  # noqa: S101
        body = morning_body(self.story, step, self.visit, self.today)
        return self._post(body, now, caller, key, has_episode=True)

    def _baseline(self, step: Baseline, now: Context, caller: Caller, key: str) -> Created:
        body = baseline_body(self.story, step, self.injury.involved, self.today)
        return self._post(body, now, caller, key, has_episode=False)

    # What clinicians enter

    def _happened(self, step: Happened, now: Context, caller: Caller, key: str) -> Created:
        body = {"kind": step.kind, "on": self._date(step.day)} | ({} if step.cause is None else {"cause": step.cause})
        return tell_event(now, caller, self.episode, _loaded(PostedEventSchema(), body), key)

    def _resolved(self, step: Resolved, now: Context, caller: Caller, key: str) -> Created:
        body = _loaded(PostedResolutionSchema(), {"as": step.as_, "rationale": step.reason})
        return resolve_finding(now, caller, self.episode, step.finding, body, key)

    def _excepted(self, step: Excepted, now: Context, caller: Caller, key: str) -> Created:
        body = {
            "stage": step.stage,
            "criterion": step.criterion,
            "until": self._date(step.until),
            "reason": step.reason,
        }
        return except_criterion(now, caller, self.episode, _loaded(PostedExceptionSchema(), body), key)

    def _confirmed(self, _: SidesConfirmed, now: Context, caller: Caller, key: str) -> Created:
        body = _loaded(PostedConfirmationSchema(), {"confirms": ["sides"]})
        return confirm_battery(now, caller, self.battery, body, key)

    def _decided(self, step: Decided, now: Context, caller: Caller, key: str) -> Created:
        body = _loaded(StoredEvidenceSchema(), {"target_stage": step.stage})
        return decide_now(now, caller, self.episode, body, key)

    def _signed(self, step: SignedOff, now: Context, caller: Caller, key: str) -> Created:
        assert self.decision is not None, "what is signed was decided"  # noqa: S101
        body: dict[str, Any] = {
            "decision_digest": self.decision["digest"],
            "determination": step.determination,
            "rationale": step.rationale,
        }
        if step.stage is not None:
            body["position"] = {"stage": step.stage, "participation": step.participation}
        if step.overridden:
            body["criteria_overridden"] = list(step.overridden)
        if step.until is not None:
            body["valid_until"] = self._date(step.until)
        if step.conditions is not None:
            body["conditions"] = step.conditions
        if step.informed:
            body["informed"] = list(step.informed)
        return sign_decision(now, caller, self.decision["id"], _loaded(SignOffSchema(), body), key)

    def _date(self, day: int) -> str:
        return (self.today + timedelta(days=day)).isoformat()


def _posted_on(step: Step) -> int:
    return step.posted if isinstance(step, Visit) and step.posted is not None else step.day


def _loaded(schema: Schema, body: dict[str, Any]) -> Any:
    """Return a body as a route would load it; a fault of ours is no fault of a user's."""
    document, faults = load(schema, body)
    assert not faults, f"the demo's body has faults: {faults}"  # noqa: S101
    return document
