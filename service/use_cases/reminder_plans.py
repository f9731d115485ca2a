"""Reminder plans: when an organisation reminds of what is due and whom, and where an episode has steps of its own."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from service.domain.canonical import canonical, digest
from service.domain.errors import INVALID_BODY, ConflictError, FieldError, InvalidDocumentError, NotFoundError
from service.domain.reminding import GROUPS, counting, name_of
from service.store import access, people, writers
from service.store import reminders as store
from service.store.database import Tx
from service.use_cases.audit import note
from service.use_cases.context import PERSON, Caller, Context
from service.use_cases.recording import ERASED
from service.use_cases.reminding import replan

PRECONDITION_FAILED, EPISODE_CLOSED = "precondition_failed", "episode_closed"
DEFAULT, ORGANISATION, EPISODE = "default", "organisation", "episode"

_WHAT = "reminder_plan"
_TAG_DIGITS = 12

Step = Mapping[str, Any]


class Shown(NamedTuple):
    """The plan that counts, as it is answered, and its etag."""

    answer: dict[str, Any]
    tag: str


def show_organisation_plan(context: Context, caller: Caller) -> Shown:
    """Return the organisation's plan; the default one where it keeps none."""
    return context.database.read(lambda tx: plan_that_counts(tx, caller))


def show_episode_plan(context: Context, caller: Caller, episode: str) -> Shown:
    """Return the plan that counts for an episode: its own steps, else the organisation's.

    Raises:
        NotFoundError: there is no such episode.
    """

    def work(tx: Tx) -> Shown:
        _known(tx, caller, episode)
        return plan_that_counts(tx, caller, episode)

    return context.database.read(work)


def change_organisation_plan(context: Context, caller: Caller, body: Mapping[str, Any], *, etag: str | None) -> Shown:
    """Keep another plan for the organisation; what is planned follows it.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        body: as `schemas.reminding.PlanSchema` loads it.
        etag: that of the plan which the caller saw, None where any may be changed.

    Raises:
        ConflictError: precondition_failed: it is no longer the one of this etag.
        InvalidDocumentError: somebody who is named can't be sent a mail.
    """

    def work(tx: Tx) -> Shown:
        _refuse_unseen(tx, caller, etag)
        return _keep(tx, context, caller, body)

    return context.database.write(work)


def change_episode_plan(
    context: Context, caller: Caller, episode: str, body: Mapping[str, Any], *, etag: str | None
) -> Shown:
    """Keep steps of its own for an episode; `body` is as `schemas.reminding.EpisodePlanSchema` loads it.

    Raises:
        NotFoundError: there is no such episode.
        ConflictError: episode_closed, erased; precondition_failed: it is no longer the one of this etag.
        InvalidDocumentError: somebody who is named can't be sent a mail.
    """

    def work(tx: Tx) -> Shown:
        athlete = _open(tx, caller, episode)
        _refuse_unseen(tx, caller, etag, episode)
        return _keep(tx, context, caller, body, episode=episode, athlete=athlete)

    return context.database.write(work)


def drop_episode_plan(context: Context, caller: Caller, episode: str, *, etag: str | None) -> None:
    """Let an episode go back to the organisation's plan; where it has none of its own, nothing changes.

    Raises:
        NotFoundError: there is no such episode.
        ConflictError: episode_closed, erased; precondition_failed: it is no longer the one of this etag.
    """

    def work(tx: Tx) -> None:
        athlete = _open(tx, caller, episode)
        _refuse_unseen(tx, caller, etag, episode)
        if store.plans(tx, caller.organisation, [episode]):
            now = context.clock()
            store.drop_plan(tx, caller.organisation, episode)
            note(tx, caller, at=now, action="drop_reminder_plan", object_kind=_WHAT, object_id=episode, athlete=athlete)
            replan(tx, caller.organisation, now, episode=episode)

    context.database.write(work)


def plan_that_counts(tx: Tx, caller: Caller, episode: str | None = None) -> Shown:
    """Return the plan that counts for an organisation, or for an episode that is known to be there."""
    organisation = caller.organisation
    kept = store.plans(tx, organisation, [organisation] if episode is None else [organisation, episode])
    own, of_episode = kept.get(organisation), kept.get(episode or "")
    keeper = EPISODE if of_episode else ORGANISATION if own else DEFAULT
    plan = counting(own and own.document, of_episode and of_episode.document)
    answer = {"at": plan["at"], "steps": plan["steps"], "kept_by": keeper}
    asked = own if episode is None else of_episode
    return Shown(answer, _tag(asked.revision if asked else 0, answer))


def _tag(revision: int, answer: Mapping[str, Any]) -> str:
    """Return an etag: of one that was kept anew, or of an episode whose organisation has another, it differs."""
    return f"{revision}-{digest(canonical(answer)).removeprefix('sha256:')[:_TAG_DIGITS]}"


def _refuse_unseen(tx: Tx, caller: Caller, etag: str | None, episode: str | None = None) -> None:
    """Let one transaction at a time change an organisation's plans, each one that its caller saw.

    Nobody adds to a record meanwhile: what would be due by the plan before is seen here, and planned anew.
    """
    writers.be_alone(tx, caller.organisation)
    access.lock_organisation(tx, caller.organisation)
    if etag not in (None, plan_that_counts(tx, caller, episode).tag):
        message = "the plan was changed meanwhile; look at it again, and make your change on what it is now"
        raise ConflictError(PRECONDITION_FAILED, message)


def _keep(  # noqa: PLR0913 - whose plan, and what it is to be
    tx: Tx,
    context: Context,
    caller: Caller,
    body: Mapping[str, Any],
    *,
    episode: str | None = None,
    athlete: str | None = None,
) -> Shown:
    faults = list(_faults(tx, caller, body["steps"]))
    if faults:
        raise InvalidDocumentError(INVALID_BODY, faults)
    of, now = episode or caller.organisation, context.clock()
    before = store.plans(tx, caller.organisation, [of]).get(of)
    if before is None or before.document != body:
        store.keep_plan(tx, caller.organisation, of, body, by=caller.actor, at=now)
        detail = _told(body)
        note(
            tx,
            caller,
            at=now,
            action="change_reminder_plan",
            object_kind=_WHAT,
            object_id=of,
            athlete=athlete,
            detail=detail,
        )
        replan(tx, caller.organisation, now, episode=episode)
    return plan_that_counts(tx, caller, episode)


def _told(body: Mapping[str, Any]) -> str:
    steps = [f"{name_of(one)} to {', '.join(one['to'])}" for one in body["steps"]]
    return "; ".join([f"at {body['at']}", *steps] if "at" in body else steps)


def _faults(tx: Tx, caller: Caller, steps: Iterable[Step]) -> Iterator[FieldError]:
    """Yield a fault for each person who is named and can't be sent a mail."""
    named = [
        (f"#/steps/{place}/to/{at}", one)
        for place, step in enumerate(steps)
        for at, one in enumerate(step["to"])
        if one not in GROUPS
    ]
    known = store.recipients(tx, caller.organisation, [one for _, one in named])
    for pointer, one in named:
        if one not in known:
            yield FieldError(pointer, "unknown_name", f"there is no actor {one} in this organisation")
        elif because := _not_reached(known[one]):
            yield FieldError(pointer, "conflicts", because)


def _not_reached(actor: store.Row) -> str | None:
    """Return why an actor can't be sent a mail, and what mends it."""
    name = actor["display_name"]
    if actor["kind"] != PERSON:
        return f"{name} is a system, and reads no mail; name a person"
    if actor["disabled_at"] is not None:
        return f"{name} is disabled; name somebody else"
    if actor["email"] is None:
        return f"{name} has no e-mail address; give them one, or name somebody else"
    return None


def _known(tx: Tx, caller: Caller, episode: str) -> Any:
    row = people.episode(tx, caller.organisation, episode)
    if row is None:
        raise NotFoundError(EPISODE, episode)
    return row


def _open(tx: Tx, caller: Caller, episode: str) -> str:
    """Return the athlete of an episode that can have something due.

    Raises:
        NotFoundError: there is no such episode.
        ConflictError: episode_closed, erased.
    """
    row = _known(tx, caller, episode)
    athlete = people.athlete(tx, caller.organisation, row.athlete_id)
    link = f"/v1/episodes/{episode}"
    if athlete is not None and athlete.erased_at is not None:
        message = "this athlete was erased, and nothing is due any more"
        raise ConflictError(ERASED, message, link=link)
    if row.closed_on is not None:
        message = f"this episode was closed on {row.closed_on}, and nothing of it is due; a new battery opens it again"
        raise ConflictError(EPISODE_CLOSED, message, link=link)
    return str(row.athlete_id)
