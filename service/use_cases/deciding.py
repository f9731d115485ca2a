"""Judge what is stored of an episode now."""

from collections.abc import Mapping
from typing import Any

from service.domain.errors import NotFoundError
from service.domain.record import instant
from service.domain.standing import moment_now
from service.store import history
from service.store.database import Tx
from service.store.idempotency import claim
from service.store.ids import new_id
from service.use_cases.appending import Request, invalid, of_episode
from service.use_cases.context import Caller, Context, Created
from service.use_cases.in_force import choose
from service.use_cases.judging_record import decide, evidence_now
from service.use_cases.posting import decided_answer, decision_before
from service.use_cases.reads import may_see
from service.use_cases.recording import Recording, opened

ROUTE = "POST /v1/episodes/{id}/decisions"
_TARGET = "/target_stage"


def decide_now(context: Context, caller: Caller, episode: str, body: Mapping[str, Any], key: str) -> Created:
    """Judge an episode for a stage as of now; `body` is what `schemas.appending.StoredEvidenceSchema` loads.

    Raises:
        NotFoundError: there is no such episode, or a submitter has posted no battery of it.
        InvalidDocumentError: no battery of the episode counts.
        NoCriteriaInForceError: nothing judges it today.
        UnknownStageError: the set in force has no such stage.
        ConflictError: another version is in force.
    """
    request = Request(ROUTE, (episode,), body, key)

    def work(tx: Tx) -> Created:
        now = context.clock()
        id_ = new_id(now)
        first = claim(tx, request.claim(caller), id_, now)
        if first is not None:
            row = history.decision(tx, caller.organisation, first)
            assert row is not None, "a claim is kept with what it made"
            return Created(decision_before(tx, context, caller, row), first, replayed=True)
        recording = opened(tx, context, caller, of_episode(caller, episode)(tx))
        if not may_see(caller, recording.chain, episode):
            what = "episode"
            raise NotFoundError(what, episode)
        return Created(_decided(recording, episode, body, id_, context.service_version), id_)

    return context.database.write(work)


def _decided(
    recording: Recording, episode: str, body: Mapping[str, Any], id_: str, service_version: str
) -> dict[str, Any]:
    as_of = moment_now(recording.chain, instant(recording.now), recording.today)
    evidence = evidence_now(recording, episode, as_of, posted=False)
    if evidence is None:
        raise invalid(_TARGET, "missing", "no battery of this episode counts; post one, then ask")
    criteria = choose(
        recording.tx,
        recording.caller.organisation,
        condition=evidence.facts.condition,
        on=recording.today,
        set_id=body.get("criteria_set"),
        version=body.get("criteria_version"),
    )
    decision = decide(recording, evidence, criteria, body["target_stage"], service_version=service_version, id_=id_)
    return decided_answer(recording, decision, recording.close())
