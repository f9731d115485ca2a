"""Tell what happened to an episode, what became known of it, and how it or its athlete is called from now on."""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from service.domain import record
from service.domain.battery import canonical_value
from service.domain.chain import Link
from service.domain.errors import ConflictError, FieldError
from service.domain.record import first_day, gone
from service.use_cases.appending import Addition, Request, append, invalid, moment_of, of_athlete, of_episode, place_of
from service.use_cases.context import Caller, Context, Created
from service.use_cases.judging_record import FACTS, facts_in_force
from service.use_cases.naming import CONFLICTS
from service.use_cases.recording import Recording

EVENTS_OF_EPISODE, EVENTS_OF_ATHLETE = "POST /v1/episodes/{id}/events", "POST /v1/athletes/{id}/events"
REF_CHANGED = "ref_changed"
_FAR_FUTURE = "9999"
_ONSET = "/onset_on"


def tell_event(context: Context, caller: Caller, episode: str, body: Mapping[str, Any], key: str) -> Created:
    """Add an event to an episode; `body` is what `schemas.appending.PostedEventSchema` loads.

    Raises:
        NotFoundError: there is no such episode.
        InvalidDocumentError: in the future, before the onset, an onset after what is on record.
        ConflictError: the facts are in force already; the ref is taken.
    """
    request = Request(EVENTS_OF_EPISODE, (episode,), body, key)

    def make(recording: Recording) -> Addition:
        if body["kind"] == REF_CHANGED:
            return _renaming(recording, episode, "episode", body["ref"])
        return _event(recording, episode, body)

    return append(context, caller, request, find=of_episode(caller, episode), make=make)


def rename_athlete(context: Context, caller: Caller, athlete: str, body: Mapping[str, Any], key: str) -> Created:
    """Give an athlete another ref; `body` is what `schemas.appending.RefChangeSchema` loads.

    Raises:
        NotFoundError: there is no such athlete.
        ConflictError: the ref is taken.
    """
    request = Request(EVENTS_OF_ATHLETE, (athlete,), body, key)

    def make(recording: Recording) -> Addition:
        return _renaming(recording, None, "athlete", body["ref"])

    return append(context, caller, request, find=of_athlete(athlete), make=make)


def _renaming(recording: Recording, episode: str | None, of: str, ref: str) -> Addition:
    """Return the change of a ref; whether the ref is free is seen when the record is closed."""
    at, on = moment_of(recording, {})
    return Addition(record.EVENT, episode, at, on, {"kind": REF_CHANGED, "of": of}, {"ref": ref})


def _event(recording: Recording, episode: str, body: Mapping[str, Any]) -> Addition:
    at, on = moment_of(recording, body)
    facts = facts_in_force(recording.chain, episode, gone(recording.entries), at=_FAR_FUTURE) or {}
    if body["kind"] in record.SETBACKS or body["kind"] == record.CLOSED:
        _refuse_before_onset(facts, on, body)
    if body["kind"] == record.CLOSED:
        _refuse_closing(recording, episode, at, body)
    if body["kind"] in (record.RECLASSIFIED, record.CORRECTED):
        _refuse_facts(recording, episode, facts, body)
    document = {key: canonical_value(value) for key, value in body.items() if key not in ("on", "cause")}
    if "at" in body:
        document["at"] = at
    return Addition(record.EVENT, episode, at, on, document, {"cause": body.get("cause")})


def _refuse_before_onset(facts: Mapping[str, Any], on: date, body: Mapping[str, Any]) -> None:
    onset = facts.get("onset_on")
    if onset is not None and on < first_day(onset):
        raise invalid(place_of(body), "before_onset", f"{on} lies before the onset, {onset}")


def _refuse_closing(recording: Recording, episode: str, at: str, body: Mapping[str, Any]) -> None:
    """Refuse to close an episode with a finding open, or before what is on record of it: that would close nothing."""
    rows = recording.before["findings"].values()
    still = sorted(row["finding"] for row in rows if row["episode_id"] == episode and row["resolved_by"] is None)
    if still:
        message = f"a finding is open ({', '.join(still)}), and would hold nothing any more; resolve it first"
        raise ConflictError(CONFLICTS, message)
    taken_back = gone(recording.entries)
    goes_on = [one for one in recording.chain if one.episode == episode and one.id not in taken_back and _goes_on(one)]
    latest = max((one.occurred_at for one in goes_on), default="")
    if latest > at:
        detail = (
            f"the episode went on until {latest}; close it after that: a date begins at its midnight, `at` is exact"
        )
        raise invalid(place_of(body), CONFLICTS, detail)


def _goes_on(one: Link) -> bool:
    return one.kind == record.BATTERY or (one.kind == record.EVENT and one.content["kind"] in record.SETBACKS)


def _refuse_facts(recording: Recording, episode: str, facts: Mapping[str, Any], body: Mapping[str, Any]) -> None:
    """Refuse what is in force already, and an onset that contradicts the record."""
    told = {name: body[name] for name in FACTS if name in body}
    if all(facts.get(name) == value for name, value in told.items()):
        detail = "this is in force already; nothing would change"
        faults = [FieldError(f"#/{name}", CONFLICTS, detail) for name in told]
        raise ConflictError(CONFLICTS, detail, errors=faults)
    if "onset_on" in told:
        _refuse_onset(recording, episode, told["onset_on"])


def _refuse_onset(recording: Recording, episode: str, onset: str) -> None:
    begun = first_day(onset)
    if begun > recording.today:
        raise invalid(_ONSET, "in_the_future", f"{onset} lies after today, {recording.today}")
    earliest = min(_days_told(recording, episode), default=date.max)
    if begun > earliest:
        detail = f"what is on record of the episode begins on {earliest}, before this onset"
        raise invalid(_ONSET, CONFLICTS, detail)


def _days_told(recording: Recording, episode: str) -> Iterator[date]:
    """Yield every date on which something is on record that can't lie before the onset."""
    taken_back = gone(recording.entries)
    for one in recording.chain:
        if one.episode != episode or one.id in taken_back:
            continue
        if one.kind == record.BATTERY:
            yield one.occurred_on
            told = one.content.get("since_last", {})
            yield from (date.fromisoformat(each["on"]) for what in told.values() for each in what)
        elif one.kind == record.EVENT and one.content["kind"] in record.SETBACKS:
            yield one.occurred_on
