"""Batteries -> occasions: what was measured, answered and confirmed on one date under one name."""

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from service.domain.evidence import Measurement, Occasion
from service.domain.record import ASSESSMENT, BATTERY, CONFIRMATION, FOLLOW_UP, GIVING_WAY, PAIN, UNABLE, Entry

_STOPPING = {GIVING_WAY, PAIN}


def occasions_of(own: Sequence[Entry], current: Callable[[str], str], sides: Sequence[str | None]) -> list[Occasion]:
    """Return the episode's occasions in order, with the follow-ups laid beside them.

    `current` names the battery that stands in for another now, `sides` are the involved ones and None.
    """
    batteries = [entry for entry in own if entry.kind == BATTERY]
    found: dict[tuple[str, str, str], Occasion] = {}
    of_battery: dict[str, Occasion] = {}
    for entry in batteries:
        if entry.document["kind"] == ASSESSMENT:
            key = (
                entry.document.get("occasion", ""),
                "" if "occasion" in entry.document else entry.id,
                entry.document["performed_on"],
            )
            occasion = found.setdefault(key, _empty(key, entry))
            of_battery[entry.id] = occasion
            _add_battery(occasion, entry, sides)
    for entry in batteries:
        if entry.document["kind"] == FOLLOW_UP:
            followed = of_battery.get(current(entry.document["follows"]))
            # A correction may have moved the occasion past its morning; a morning before it answers nothing.
            if followed is not None and entry.occurred_on > followed.on:
                followed.follow_ups.append(entry.id)
                followed.performed_at[entry.id] = entry.occurred_at
                _add_answers(followed.morning, entry.document.get("session_check", {}))
    _confirm(own, of_battery)
    return sorted(found.values(), key=lambda one: (one.on, one.first_at, one.key))


def _empty(key: tuple[str, str, str], entry: Entry) -> Occasion:
    return Occasion(
        key=key,
        on=entry.occurred_on,
        first_at=entry.occurred_at,
        batteries=[],
        performed_at={},
        measurements={},
        attempts=[],
        answers={},
        morning={},
        referral={},
        follow_ups=[],
    )


def _add_battery(occasion: Occasion, entry: Entry, sides: Sequence[str | None]) -> None:
    document = entry.document
    occasion.batteries.append(entry.id)
    occasion.performed_at[entry.id] = entry.occurred_at
    occasion.first_at = min(occasion.first_at, entry.occurred_at)
    occasion.last_sequence = max(occasion.last_sequence, entry.sequence)
    occasion.since_last_told |= "events" in document.get("since_last", {})
    _add_answers(occasion.answers, document.get("session_check", {}))
    _add_answers(occasion.referral, document.get("referral", {}))
    for one in document["measurements"]:
        read = read_measurement(one, entry, occasion)
        occasion.measurements[read.test, read.side] = read
        if read.is_attempt and read.side in sides:
            occasion.attempts.append(read)


def _add_answers(answers: dict[str, list[Any]], told: Mapping[str, Any]) -> None:
    for question, answer in told.items():
        answers.setdefault(question, []).append(answer)


def read_measurement(one: Mapping[str, Any], entry: Entry, occasion: Occasion | None) -> Measurement:
    """Return a measurement of a canonical battery; `occasion` is None in a baseline."""
    trials = one.get("trials", ())
    return Measurement(
        test=one["test"],
        side=one.get("side"),
        result=one["result"],
        because=one.get("because"),
        values=tuple(Decimal(trial["value"]) for trial in trials if "invalid_because" not in trial),
        invalid=_invalid(one),
        summarised=one.get("trials_summarised"),
        unit=one.get("unit"),
        pain=one.get("pain"),
        instability=one.get("instability"),
        ended_by=ended_by(one),
        setup={**entry.document.get("setup", {}), **one.get("setup", {})},
        battery=entry.id,
        performed_at=entry.occurred_at,
        on=entry.occurred_on,
        occasion=occasion,
    )


def ended_by(one: Mapping[str, Any]) -> frozenset[str]:
    """Return giving_way and pain where a trial of a measurement, or being unable, ended so."""
    invalid = _invalid(one)
    causes = (one.get("because"), *invalid) if one["result"] == UNABLE else invalid
    return frozenset(_STOPPING.intersection(causes))


def _invalid(one: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(trial["invalid_because"] for trial in one.get("trials", ()) if "invalid_because" in trial)


def _confirm(own: Sequence[Entry], of_battery: Mapping[str, Occasion]) -> None:
    """Note through which sequence the sides of each occasion are confirmed; what is added later is not."""
    for entry in own:
        named = entry.document["battery"] if entry.kind == CONFIRMATION else entry.id
        said = entry.document.get("confirms" if entry.kind == CONFIRMATION else "confirmed", ())
        occasion = of_battery.get(named)
        if occasion is not None and "sides" in said:
            occasion.confirmed_through = max(occasion.confirmed_through, entry.sequence)
