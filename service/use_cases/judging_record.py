"""Judge what an athlete's record offers, and keep the decision with it."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from service.domain import record
from service.domain.chain import Link
from service.domain.corrected import corrected_away
from service.domain.criteria import CriteriaSet
from service.domain.errors import AmbiguousCriteriaSetError, NoCriteriaInForceError
from service.domain.evidence import Evidence
from service.domain.explain import Advice, advice_of
from service.domain.fold import fold
from service.domain.judge import verdict_of
from service.domain.judging import Judging
from service.domain.record import Entry, Moment, line_of
from service.domain.standing import supported_stage
from service.store.database import Tx
from service.store.ids import new_id
from service.use_cases.in_force import by_digest, choose
from service.use_cases.recording import Recording

FACTS = ("condition", "involved_side", "onset_on", "other_side")


def evidence_now(recording: Recording, episode: str, as_of: Moment, *, posted: bool) -> Evidence | None:
    """Return what the record offers for an episode up to its last entry."""
    return recording.history().evidence_at(episode, recording.head.entries, as_of, posted=posted)


def evidence_then(chain: Sequence[Link], decision: Link) -> Evidence | None:
    """Return what a decision on record was made from; None only where the record is not what it was."""
    verdict = decision.content["verdict"]
    posted = chain[verdict["through"] - 1] if verdict["posted"] else None
    return fold(
        [one.entry for one in chain[: decision.sequence - 1]],
        episode=verdict["episode"],
        through=verdict["through"],
        as_of=Moment(verdict["as_of"], posted.occurred_on if posted else date.fromisoformat(verdict["today"])),
        posted=verdict["posted"],
    )


def decide(  # noqa: PLR0913 - what is judged, and what is kept with it
    recording: Recording,
    evidence: Evidence,
    criteria: CriteriaSet,
    stage: str,
    *,
    service_version: str,
    created: Sequence[str] = (),
    id_: str | None = None,
) -> Link:
    """Add the decision on a stage to the record.

    Args:
        recording: the athlete's record.
        evidence: what it offers.
        criteria: the version that judges.
        stage: the stage asked about.
        service_version: the release that judges.
        created: what was made on the way.
        id_: the decision's id, where a request names it already.

    Raises:
        UnknownStageError: the set has no such stage.
    """
    judging = Judging(evidence, criteria)
    verdict = verdict_of(judging, stage)
    id_ = id_ or new_id(recording.now)
    place = (recording.head.entries + 1, id_, record.DECISION, evidence.episode, evidence.as_of, evidence.as_of_on)
    stub = Entry(*place, {"verdict": verdict})
    supported = supported_stage(evidence.episode, recording.history(stub))
    advice = advice_of(verdict, judging, supported_stage=supported)
    return recording.add(
        record.DECISION,
        id_=id_,
        episode=evidence.episode,
        at=evidence.as_of,
        on=evidence.as_of_on,
        document={
            "verdict": verdict,
            "advice": advice,
            **_circumstances(evidence, criteria),
            "battery": recording.chain[-1].id if evidence.posted else None,
            "used": _used(evidence, advice),
            "service_version": service_version,
            "created": list(created),
        },
        private={},
    )


def _circumstances(evidence: Evidence, criteria: CriteriaSet) -> dict[str, Any]:
    """Return what the history is searched by: the occasion by its first battery, the condition, the version."""
    return {
        "occasion": evidence.judged.batteries[0] if evidence.judged is not None else None,
        "condition": evidence.facts.condition,
        "criteria_set": {"id": criteria.id, "version": criteria.version},
    }


def _used(evidence: Evidence, advice: Advice) -> list[dict[str, str]]:
    """Return the batteries of the judged occasion and those whose measurements were read, in order of time."""
    moments = dict(evidence.judged.performed_at) if evidence.judged is not None else {}
    for one in advice["reasons"]:
        for read in one["inputs"]:
            if "battery_id" in read and "performed_at" in read:
                moments[read["battery_id"]] = read["performed_at"]
    return [
        {"battery_id": battery, "performed_at": moment}
        for battery, moment in sorted(moments.items(), key=lambda item: (item[1], item[0]))
    ]


def usual_set(tx: Tx, organisation: str, chain: Sequence[Link], battery: Link) -> CriteriaSet | None:
    """Return the set that judges a battery's episode as a rule, None where nobody can tell.

    That of the decision before it, else the one in force on its day.
    """
    made = [one for one in chain if one.kind == record.DECISION and one.content and one.episode == battery.episode]
    before = [one for one in made if one.sequence < battery.sequence]
    if before:
        return by_digest(tx, organisation, before[-1].content["verdict"]["criteria"])
    try:
        return choose(tx, organisation, condition=battery.content["episode"]["condition"], on=battery.occurred_on)
    except (NoCriteriaInForceError, AmbiguousCriteriaSetError):
        return None


def correction_flags(tx: Tx, organisation: str, chain: Sequence[Link], battery: Link) -> list[dict[str, str]]:
    """Return a flag for each thing that holds and that a battery takes back as it supersedes others."""
    if "supersedes" not in battery.content or battery.episode is None:
        return []
    known = {one.id: one.entry for one in chain if one.kind == record.BATTERY}
    return corrected_away(line_of(battery.entry, known), usual_set(tx, organisation, chain, battery))


def facts_in_force(chain: Sequence[Link], episode: str, gone: set[str], *, at: str) -> dict[str, Any] | None:
    """Return an episode's facts with the corrections that had occurred by a moment, None where none are known.

    Args:
        chain: the athlete's entries.
        episode: the episode.
        gone: the entries that do not count.
        at: the moment, as fixed-width UTC text.
    """
    own = [one for one in chain if one.episode == episode]
    told = [one for one in own if one.kind == record.BATTERY and one.content.get("episode")]
    live = [one for one in told if one.id not in gone] or told
    if not live:
        return None
    facts: dict[str, Any] = {name: live[0].content["episode"][name] for name in FACTS}
    for one in own:
        if _corrects(one) and one.id not in gone and one.occurred_at <= at:
            facts |= {name: one.content[name] for name in FACTS if name in one.content}
    return facts


def _corrects(one: Link) -> bool:
    content: Mapping[str, Any] = one.content
    return one.kind == record.EVENT and content.get("kind") in (record.RECLASSIFIED, record.CORRECTED)
