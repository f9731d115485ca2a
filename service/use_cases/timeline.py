"""What an episode's record says, one plain sentence an entry, oldest first."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from service.domain import record
from service.domain.chain import ERASURE, Link
from service.domain.criteria import CriteriaSet
from service.domain.words import listed, short_label
from service.store.state import RENAMED
from service.store.task_state import CANCELLED, CHECK_IN_DONE, RESCHEDULED, SIGN_OFF

_CONSENT = "consent"
_KINDS = {record.ASSESSMENT: "Assessment", record.BASELINE: "Baseline", record.FOLLOW_UP: "Follow-up of the morning"}
_RESOLVED = {
    record.RULED_OUT: "ruled out",
    record.RELEASED: "released: treated, and allowed to load",
    record.CONFIRMED: "confirmed, and it stays open",
}
_CORRECTED = ("involved_side", "onset_on", "other_side")
_SETBACKS = {record.GIVING_WAY: "Giving way", record.SETBACK: "Setback", record.RE_INJURY: "Re-injury"}
_CONFIRMED = {"sides": "left and right"}
_NO_PART = "no participation"
_ERASED = "What this entry said was erased."


class Names(NamedTuple):
    """What stages and criteria are called; a set of another time has other ones, and these are told by their ids."""

    criteria: CriteriaSet | None

    def stage(self, id_: str) -> str:
        """Return the title of a stage."""
        gates = {} if self.criteria is None else self.criteria.gates
        return gates[id_].title if id_ in gates else words(id_)

    def criterion(self, id_: str) -> str:
        """Return what a criterion is called."""
        if self.criteria is None or id_ not in self.criteria.criteria:
            return words(id_)
        return short_label(id_, self.criteria)


def timeline(
    links: Iterable[Link], gone: Collection[str], actors: Mapping[str, Mapping[str, Any]], criteria: CriteriaSet | None
) -> list[dict[str, Any]]:
    """Return the entries as people read them, in the order in which they happened.

    Args:
        links: the entries of an episode.
        gone: the ids of those that are void or superseded; they are shown, and said to be.
        actors: who recorded them, by id.
        criteria: the version that judged last, for what stages and criteria are called; None where none has.
    """
    names = Names(criteria)
    ordered = sorted(links, key=lambda one: (one.occurred_at, one.sequence))
    return [_entry(one, actors[one.actor], names, counts=one.id not in gone) for one in ordered]


def _entry(one: Link, actor: Mapping[str, Any], names: Names, *, counts: bool) -> dict[str, Any]:
    return {
        "id": one.id,
        "sequence": one.sequence,
        "kind": one.kind,
        "occurred_at": one.occurred_at,
        "occurred_on": one.occurred_on.isoformat(),
        "recorded_at": one.recorded_at,
        "by": person_of(one, actor),
        "counts": counts,
        "sentence": sentence(one, names),
    }


def person_of(one: Link, actor: Mapping[str, Any]) -> dict[str, Any]:
    """Return who recorded an entry: as they signed it then, else as they are called now."""
    signed = one.people.get("signed_by", {})
    return {
        "id": one.actor,
        "display_name": signed.get("name", actor["display_name"]),
        "profession": signed.get("profession", actor["profession"]),
    }


def sentence(one: Link, names: Names) -> str:
    """Return what an entry says in one plain sentence."""
    if one.document is None:
        return _ERASED
    return _SENTENCES[one.kind](one, names)


def standing(position: Mapping[str, Any], names: Names) -> str:
    """Return a position as words."""
    stage, takes_part = names.stage(position["stage"]), words(position["participation"])
    if takes_part == stage.lower():
        return stage
    return f"{stage}, {_NO_PART if takes_part == 'none' else takes_part}"


def words(name: object) -> str:
    """Return an id of the catalogue as words."""
    return str(name).replace("_", " ")


def _battery(one: Link, names: Names) -> str:
    said = one.content
    kind = _KINDS[said["kind"]]
    measured = len(said["measurements"])
    parts = [kind if said["kind"] == record.FOLLOW_UP else f"{kind} {_counted(measured, 'measurement')}"]
    if said.get("target_stage"):
        parts.append(f"posted for {names.stage(said['target_stage'])}")
    if "supersedes" in said:
        parts.append("in place of an earlier one")
    findings = [words(question) for question, answer in said.get("referral", {}).items() if answer]
    end = f"; findings: {listed(findings)}" if findings else ""
    return f"{', '.join(parts)}{end}."


def _counted(count: int, what: str) -> str:
    return f"with {count} {what}{'' if count == 1 else 's'}" if count else f"without {what}s"


def _decision(one: Link, names: Names) -> str:
    return f"Decision on {names.stage(one.content['verdict']['stage'])}. {one.content['advice']['summary']}"


def _sign_off(one: Link, names: Names) -> str:
    said = one.content
    signed = "decision" in said
    start = f"Decision signed off ({words(said.get('determination'))})" if signed else "Position set without a decision"
    return f"{start}{''.join(_position(said, names))}."


def _position(said: Mapping[str, Any], names: Names) -> Iterator[str]:
    position = said.get("position")
    if position:
        yield f": {standing(position, names)}"
    if said.get("valid_until"):
        yield f", until {said['valid_until']}"
    if said.get("criteria_overridden"):
        yield f"; overrides {listed([names.criterion(one) for one in said['criteria_overridden']])}"


def _resolution(one: Link, _names: Names) -> str:
    return f"Finding {words(one.content['finding'])}: {_RESOLVED[one.content['as']]}."


def _event(one: Link, _names: Names) -> str:
    kind = one.content["kind"]
    say = _EVENTS.get(kind)
    return f"{_SETBACKS[kind]} reported." if say is None else say(one)


def _corrected(one: Link) -> str:
    facts = [f"{words(key)} {words(one.content[key])}" for key in _CORRECTED if key in one.content]
    return f"Corrected: {listed(facts)}."


def _closed(one: Link) -> str:
    cause = one.people.get("cause")
    return f"Episode closed: {cause}." if cause else "Episode closed."


def _exception(one: Link, names: Names) -> str:
    said = one.content
    return f"{names.criterion(said['criterion'])} is waived for {names.stage(said['stage'])} until {said['until']}."


def _confirmation(one: Link, _names: Names) -> str:
    return f"Confirmed of a battery: {listed([_CONFIRMED[what] for what in one.content['confirms']])}."


_EVENTS: Mapping[str, Callable[[Link], str]] = {
    record.RECLASSIFIED: lambda one: f"Reclassified as {words(one.content['condition'])}.",
    record.CORRECTED: _corrected,
    record.CLOSED: _closed,
    RENAMED: lambda one: f"The {one.content['of']} has another ref.",
    RESCHEDULED: lambda one: f"Task moved to {one.content['due_on']}.",
    CANCELLED: lambda _one: "Task cancelled.",
    CHECK_IN_DONE: lambda _one: "Check-in done.",
}
_SENTENCES: Mapping[str, Callable[[Link, Names], str]] = {
    record.BATTERY: _battery,
    record.DECISION: _decision,
    SIGN_OFF: _sign_off,
    record.RESOLUTION: _resolution,
    record.EVENT: _event,
    record.EXCEPTION: _exception,
    record.CONFIRMATION: _confirmation,
    record.VOID: lambda _one, _names: "An entry made in error was taken back.",
    _CONSENT: lambda _one, _names: "Consent recorded.",
    ERASURE: lambda _one, _names: "The athlete's record was erased.",
}
