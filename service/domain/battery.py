"""A battery against the catalogue, and its canonical document.

Batteries come here as the plain dicts that `schemas.battery` loads: numbers Decimal, dates `date`, moments aware.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from service.domain.catalogue import AVERAGES, Catalogue, CatalogueTest, Question
from service.domain.errors import FieldError
from service.domain.numbers import Pair, number
from service.domain.record import ASSESSMENT, BASELINE, FOLLOW_UP, MEASURED, Entry, first_day, instant
from service.domain.units import NO_UNIT, of_dimension, same_dimension

LATENESS = timedelta(minutes=5)

_PLAIN, _LISTS = (bool, int, str, type(None)), (list, tuple)  # unions would be made anew at every look
_PRIVATE = frozenset({"ref", "new", "recurrence_of"})


def catalogue_faults(
    battery: Mapping[str, Any], catalogue: Catalogue, referral: tuple[str, ...]
) -> Iterator[FieldError]:
    """Yield what a battery says that the catalogue does not know; pointers are relative to the battery (`/setup`)."""
    yield from _answers(battery.get("session_check", {}), catalogue, "session_check", "/session_check")
    yield from _answers(battery.get("setup", {}), catalogue, "setup", "/setup")
    for question in battery.get("referral", {}):
        if question not in referral:
            yield _unknown(f"/referral/{question}", "referral question of this set", question, referral)
    for place, session in enumerate(battery.get("since_last", {}).get("sessions", ())):
        yield from _session(session, catalogue, f"/since_last/sessions/{place}")
    for place, one in enumerate(battery.get("measurements", ())):
        yield from _measurement(one, catalogue, f"/measurements/{place}")


def time_faults(
    battery: Mapping[str, Any], on: date, onset_on: str | None, now: datetime | None
) -> Iterator[FieldError]:
    """Yield what lies after the battery (or now), or before the injury; without `now` nothing is in the future."""
    if now is not None and battery["performed_at"] > now + LATENESS:
        yield FieldError("/performed_at", "in_the_future", f"this lies after now, {now.isoformat(timespec='seconds')}")
    onset = first_day(onset_on) if onset_on is not None and battery["kind"] != BASELINE else date.min
    if on < onset:
        yield FieldError("/performed_at", "before_onset", f"the battery lies before the onset, {onset_on}")
    for what in ("events", "sessions"):
        for place, one in enumerate(battery.get("since_last", {}).get(what, ())):
            if one["on"] > on:
                detail = f"{one['on']} lies after the battery's date, {on}"
                yield FieldError(f"/since_last/{what}/{place}/on", "in_the_future", detail)
            elif one["on"] < onset:
                detail = f"{one['on']} lies before the onset, {onset_on}"
                yield FieldError(f"/since_last/{what}/{place}/on", "before_onset", detail)
    yield from birth_faults(battery.get("athlete", {}), on)
    for fact in ("leg_length", "body_mass"):
        measured_on = battery.get("athlete", {}).get(fact, {}).get("measured_on")
        if measured_on is not None and measured_on > on:
            detail = f"{measured_on} lies after the battery's date, {on}"
            yield FieldError(f"/athlete/{fact}/measured_on", "in_the_future", detail)


def birth_faults(athlete: Mapping[str, Any], on: date) -> Iterator[FieldError]:
    """Yield a birth after the date of a battery."""
    year, month = athlete.get("birth_year", 0), athlete.get("birth_month", 1)
    if (year, month) > (on.year, on.month):
        fact = "birth_year" if year > on.year else "birth_month"
        yield FieldError(f"/athlete/{fact}", "in_the_future", f"{athlete[fact]} lies after the battery's date, {on}")


def _unknown(pointer: str, what: str, name: str, known: Any) -> FieldError:
    return FieldError(pointer, "unknown_name", f"there is no {what} {name!r}; there are {', '.join(known)}")


def _answers(answers: Mapping[str, Any], catalogue: Catalogue, asked_in: str, pointer: str) -> Iterator[FieldError]:
    known = {key: one for key, one in catalogue.questions.items() if one.asked_in == asked_in}
    for key, answer in answers.items():
        if key not in known:
            yield _unknown(f"{pointer}/{key}", f"{asked_in.replace('_', ' ')} question", key, known)
        elif not known[key].takes(answer):
            yield _not_an_answer(f"{pointer}/{key}", known[key], answer)


def _not_an_answer(pointer: str, question: Question, answer: object) -> FieldError:
    if question.scale is not None:
        is_whole = isinstance(answer, int) and not isinstance(answer, bool)
        return FieldError(pointer, "out_of_range" if is_whole else "wrong_type", f"{question.wanted} is wanted")
    return FieldError(pointer, "unknown_name", f"{answer!r} is not an answer; the answers are {question.wanted}")


def _session(session: Mapping[str, Any], catalogue: Catalogue, pointer: str) -> Iterator[FieldError]:
    kind = catalogue.sessions.get(session["kind"])
    if kind is None:
        yield _unknown(f"{pointer}/kind", "kind of session", session["kind"], catalogue.sessions)
        return
    wrong = "efforts" if kind.takes == "minutes" else "minutes"
    if wrong in session:
        yield FieldError(f"{pointer}/{wrong}", "conflicts", f"{kind.id} takes {kind.takes}; take {wrong} out")
    medication = catalogue.questions["medication_24h"]
    if "medication" in session and not medication.takes(session["medication"]):
        yield _not_an_answer(f"{pointer}/medication", medication, session["medication"])


def _measurement(one: Mapping[str, Any], catalogue: Catalogue, pointer: str) -> Iterator[FieldError]:
    test = catalogue.tests.get(one["test"])
    if test is None:
        yield _unknown(f"{pointer}/test", "test", one["test"], catalogue.tests)
        return
    if test.is_sided and "side" not in one:
        yield FieldError(f"{pointer}/side", "missing", f"{test.id} is measured on a side: left or right")
    if not test.is_sided and "side" in one:
        yield FieldError(f"{pointer}/side", "wrong_side", f"{test.id} is of the person and has no side")
    yield from _answers(one.get("setup", {}), catalogue, "setup", f"{pointer}/setup")
    fault = _unit_fault(one, test, pointer)
    if fault is not None:
        yield fault
    else:
        yield from _trials(one, test, pointer)


def _unit_fault(one: Mapping[str, Any], test: CatalogueTest, pointer: str) -> FieldError | None:
    unit = one.get("unit")
    listed = ", ".join(of_dimension(test.unit)) if test.unit != NO_UNIT else NO_UNIT
    if unit is None:
        if one["result"] == MEASURED and test.unit != NO_UNIT:
            return FieldError(f"{pointer}/unit", "unit_missing", f"{test.id} has a unit, one of {listed}")
        return None
    if unit != NO_UNIT if test.unit == NO_UNIT else not same_dimension(unit, test.unit):
        return FieldError(f"{pointer}/unit", "wrong_unit", f"{unit!r} is no unit of {test.id}; its units are {listed}")
    return None


def _trials(one: Mapping[str, Any], test: CatalogueTest, pointer: str) -> Iterator[FieldError]:
    counted = one.get("trials_summarised", len(one["trials"]))
    if counted > test.trials.maximum:
        detail = f"{test.id} takes at most {test.trials.maximum} trials, {counted} were sent"
        where = "trials_summarised" if "trials_summarised" in one else "trials"
        yield FieldError(f"{pointer}/{where}", "too_many_trials", detail)
    may_be_average = "trials_summarised" in one and test.trials.summary in AVERAGES
    for place, trial in enumerate(one["trials"]):
        if "value" not in trial:
            continue
        where = f"{pointer}/trials/{place}/value"
        value = trial["value"]
        if test.is_whole and value != value.to_integral_value() and not may_be_average:
            yield FieldError(where, "not_whole", f"{test.id} is counted in whole numbers, not {number(value)}")
        bound = next((b for b in test.possible if not b.holds(test.in_unit(Pair(value), one.get("unit")))), None)
        if bound is not None:
            detail = f"{test.id} can only be {bound.word.replace('_', ' ')} {bound.text}, not {number(value)}"
            yield FieldError(where, "out_of_range", detail)


def record_faults(
    new: Entry, live: Sequence[Entry], follow_up_days: int, *, replaced: Entry | None = None
) -> Iterator[FieldError]:
    """Yield what does not fit between a new battery and the athlete's others; pointers as in `catalogue_faults`.

    Args:
        new: the battery as an entry.
        live: the batteries recorded before that are neither void nor superseded, nor by the new one.
        follow_up_days: how many days after an assessment a follow-up may come.
        replaced: the battery that the new one supersedes.
    """
    kind, document = new.document["kind"], new.document
    if replaced is not None and _corrected(replaced) != _corrected(new):
        detail = "a battery supersedes one of its own kind and episode; void the other and post this one by itself"
        yield FieldError("/supersedes", "conflicts", detail)
    if kind == FOLLOW_UP:
        yield from _follow_up(new, live, follow_up_days)
        return
    alike = [one for one in live if one.episode == new.episode and one.document["kind"] == kind]
    together = [one for one in alike if kind == ASSESSMENT and _is_one_occasion(one, new)]
    measured = {(one["test"], one.get("side")) for other in together for one in other.document["measurements"]}
    for place, one in enumerate(document["measurements"]):
        if (one["test"], one.get("side")) in measured:
            detail = f"{one['test']} was measured on this side before in this occasion; supersede that battery"
            yield FieldError(f"/measurements/{place}", "duplicate", detail)
    if any(one.occurred_at == new.occurred_at and one not in together for one in alike):
        detail = "another battery has this very moment; give both one occasion, or the times at which they were"
        yield FieldError("/performed_at", "conflicts", detail)


def _corrected(one: Entry) -> tuple[str | None, str, str | None]:
    """Return what a correction can't change: the episode, the kind, and what a follow-up follows."""
    return one.episode, one.document["kind"], one.document.get("follows")


def _is_one_occasion(one: Entry, other: Entry) -> bool:
    name = one.document.get("occasion")
    return name is not None and name == other.document.get("occasion") and one.occurred_on == other.occurred_on


def _follow_up(new: Entry, live: Sequence[Entry], follow_up_days: int) -> Iterator[FieldError]:
    followed = next((one for one in live if one.id == new.document["follows"]), None)
    if followed is None:
        yield FieldError("/follows", "unknown_name", "the battery that this follows is void; follow one that stands")
        return
    if followed.episode != new.episode:
        yield FieldError("/follows", "conflicts", "the battery that this follows belongs to another episode")
    days = (new.occurred_on - followed.occurred_on).days
    is_after = new.occurred_at > followed.occurred_at and 1 <= days <= follow_up_days
    if not is_after or followed.document["kind"] != ASSESSMENT:
        detail = f"a follow-up comes 1 to {follow_up_days} days after the assessment that it follows"
        yield FieldError("/performed_at", "out_of_range", detail)


def battery_document(battery: Mapping[str, Any], on: date, *, names: Mapping[str, str]) -> dict[str, Any]:
    """Return the canonical document of a battery: all that the engine reads, no refs, names or free text.

    Args:
        battery: the loaded body, which has passed its checks.
        on: the local date of `performed_at`.
        names: the ids of the entries that `follows` and `supersedes` name.
    """
    document = {
        "kind": battery["kind"],
        "performed_at": instant(battery["performed_at"]),
        "performed_on": on.isoformat(),
        "measurements": sorted(
            (canonical_value(one) for one in battery.get("measurements", ())),
            key=lambda one: (one["test"], one.get("side", "")),
        ),
        **names,
    }
    for key in ("occasion", "session_check", "referral", "since_last", "setup", "confirmed"):
        if key in battery:
            document[key] = canonical_value(battery[key])
    for key in ("athlete", "episode"):
        if key in battery:
            document[key] = {name: canonical_value(fact) for name, fact in battery[key].items() if name not in _PRIVATE}
    return document


def canonical_value(value: Any) -> Any:
    """Return a loaded value as canonical JSON holds it: Decimals as text, dates as text."""
    if isinstance(value, _PLAIN):
        return value
    if isinstance(value, Mapping):
        return {key: canonical_value(item) for key, item in value.items()}
    if isinstance(value, _LISTS):
        return [canonical_value(item) for item in value]
    if isinstance(value, datetime):
        return instant(value)
    if isinstance(value, date):
        return value.isoformat()
    return number(value)
