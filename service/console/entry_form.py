"""A battery as the fields of a form, and back.

`body_of` makes of what was typed the body that the API would be sent, with the field that each of its places came
from; `typed_of` makes of a body what stands in the fields. A test about which nothing was typed is not sent.

Names of fields: `session_check.limp`, `setup.support`, `event.0.kind`, `session.0.amount`, and of a measurement
`m.side_hop_time.left.trial.0.value`; of a test of the person `m.confidence.person...`.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from schemas.fields import composed
from schemas.strict_json import DIGITS
from service.console.words import as_onset
from service.domain.errors import FieldError

Typed = Mapping[str, str]

PERSON, NONE, SOME = "person", "none", "some"
FLAGS = {"true": True, "false": False}
ATHLETE_FACTS = ("ref", "birth_year", "birth_month", "sex", "dominant_leg")
EPISODE_FACTS = ("ref", "condition", "involved_side", "onset_on", "other_side", "recurrence_of")
EVENT_ROWS, SESSION_ROWS = 2, 3

_NUMBER = re.compile(r"([-+\N{MINUS SIGN}]?)(\d*)(?:[.,](\d*))?", re.ASCII)
_BOTH = "it says that nothing happened, and below that something did; take one of the two back"
_WORDS = {
    "kind": "kind",
    "on": "date",
    "amount": "minutes or efforts",
    "worst_pain": "worst pain",
    "next_morning_rise": "next morning",
    "summary.value": "summarised value",
    "summary.trials": "number of trials",
}
_PLAIN = ("occasion", "tester")
_ANSWERS = ("session_check", "referral", "setup")
_RATINGS = ("pain", "instability")
_SESSION = ("worst_pain", "next_morning_rise")


class Filled(NamedTuple):
    """The body that was typed, and the name of the field behind each of its places, by JSON pointer.

    `faults` are contradictions that a body can't show.
    """

    body: dict[str, Any]
    places: dict[str, str]
    faults: tuple[FieldError, ...] = ()

    def field(self, pointer: str) -> str | None:
        """Return the field of a place, or of the nearest one around it."""
        while pointer not in self.places and "/" in pointer:
            pointer = pointer.rpartition("/")[0]
        return self.places.get(pointer)


def body_of(typed: Typed, form: Mapping[str, Any], zone: ZoneInfo, fixed: Mapping[str, Any]) -> Filled:
    """Return the body of a battery.

    Args:
        typed: the fields by name.
        form: what was asked: `tests` and `sessions`.
        zone: in which times are typed.
        fixed: what is not typed: kind, athlete, episode, criteria set, stage.
    """
    return _Reading(_cleaned(typed), form, zone).filled(fixed)


def facts_of(typed: Typed) -> Filled:
    """Return the athlete and the episode of a first battery."""
    reading = _Reading(_cleaned(typed), {}, ZoneInfo("UTC"))
    athlete = reading.told("athlete", ATHLETE_FACTS, "#/athlete")
    episode = reading.told("episode", EPISODE_FACTS, "#/episode")
    is_new = reading.typed.get("athlete.known") != "true"
    body = {"athlete": athlete | {"new": is_new}, "episode": episode | {"new": True}}
    return Filled(body, reading.places)


def _cleaned(typed: Typed) -> dict[str, str]:
    return {key: composed(one.replace("\0", "")) for key, one in typed.items()}


def number_of(text: str) -> int | Decimal | str:
    """Return a number with a decimal point or comma; what is none stays as it was typed, to be refused.

    >>> number_of("9,50"), number_of("12"), number_of("1.234,5")
    (Decimal('9.50'), 12, '1.234,5')
    """
    found = _NUMBER.fullmatch(text)
    if found is None or not (found[2] or found[3]) or len(found[2] + (found[3] or "")) > DIGITS:
        return text
    sign = "" if found[1] in ("", "+") else "-"
    return Decimal(f"{sign}{found[2] or 0}.{found[3]}") if found[3] else int(f"{sign}{found[2]}")


def answer_of(text: str) -> bool | int | Decimal | str:
    """Return an answer to a question: yes or no, a number, or a word of its list."""
    return FLAGS[text] if text in FLAGS else number_of(text)


def figures_of(kept: Any, key: str = "") -> Any:
    """Return what the record keeps of a person as it is posted: figures are numbers there and text in the record."""
    if isinstance(kept, Mapping):
        return {name: figures_of(one, name) for name, one in kept.items()}
    return number_of(kept) if key == "value" else kept


def moment_of(text: str, zone: ZoneInfo) -> str:
    """Return a local time, as a browser's field gives it, with its offset; what is none stays as it was typed."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=zone).isoformat(timespec="seconds")
    except ValueError:
        return text


def local(moment: datetime, zone: ZoneInfo) -> str:
    """Return a moment as a browser's field takes it."""
    there = moment.astimezone(zone)
    return f"{there:%Y-%m-%dT%H:%M}" + (f":{there:%S}" if there.second else "")


def rows_of(typed: Typed, what: str, least: int) -> range:
    """Return the rows of a list to be shown: those that were typed, and `least` to go on."""
    used = _rows(typed, what)
    return range(max(least, used[-1] + 1 + least if used else 0))


def tests_of(typed: Typed) -> set[str]:
    """Return the tests of which something was typed; a unit by itself says nothing."""
    return {key.split(".")[1] for key, one in typed.items() if one and key[:2] == "m." and not key.endswith(".unit")}


def prefix_of(test: str, side: str | None) -> str:
    """Return how the fields of a measurement begin."""
    return f"m.{test}.{side or PERSON}"


def label_of(field: str, form: Mapping[str, Any]) -> str:
    """Return what a field is about, to stand before what is wrong with it; nothing where that says so itself."""
    first, *rest = field.split(".")
    if first == "m":
        test, side, *what = rest
        title = next((one["title"] for one in form["tests"] if one["id"] == test), test)
        return ", ".join([title, *([] if side == PERSON else [side]), *_part(what)])
    if first in ("event", "session"):
        return f"{first.capitalize()} {int(rest[0]) + 1}, {_WORDS.get(rest[1], rest[1])}"
    if rest:
        questions = form.get("questions", {}).get(first, ())
        return next((one["title"] for one in questions if one["id"] == rest[0]), rest[0].replace("_", " "))
    return {"performed_at": "Date and time", "since": "Since last time"}.get(first, first)


def _part(what: Sequence[str]) -> list[str]:
    if what[0] == "trial":
        return [f"trial {int(what[1]) + 1}"]
    return [_WORDS.get(".".join(what), what[-1].replace("_", " "))]


def _rows(typed: Typed, what: str) -> list[int]:
    found = re.compile(rf"{what}\.(\d{{1,3}})\.", re.ASCII)
    return sorted({int(one[1]) for key, value in typed.items() if value and (one := found.match(key))})


class _Reading:
    """What was typed, read into a body; where each of its places came from is noted on the way."""

    def __init__(self, typed: Typed, form: Mapping[str, Any], zone: ZoneInfo) -> None:
        self.typed = typed
        self.form = form
        self.zone = zone
        self.places: dict[str, str] = {}
        self.faults: list[FieldError] = []

    def filled(self, fixed: Mapping[str, Any]) -> Filled:
        body = dict(fixed)
        self.places["#/performed_at"] = "performed_at"
        if self.typed.get("performed_at"):
            body["performed_at"] = moment_of(self.typed["performed_at"], self.zone)
        for name in _PLAIN:
            self._put(body, name, name, f"#/{name}", str)
        for name in _ANSWERS:
            answers = self._answers(name, f"#/{name}")
            if answers:
                body[name] = answers
        since = self._since_last()
        if since:
            body["since_last"] = since
        if self.typed.get("confirmed") == "sides":
            body["confirmed"] = ["sides"]
        measurements = self._measurements()
        if measurements:
            body["measurements"] = measurements
        self.places |= {"#/since_last/events": "since", "#/confirmed": "confirmed", "#/measurements": "tests"}
        return Filled(body, self.places, tuple(self.faults))

    def told(self, prefix: str, names: Sequence[str], pointer: str) -> dict[str, Any]:
        """Return the fields of an object that were typed; those of years and months of birth are numbers."""
        found: dict[str, Any] = {}
        for name in names:
            read = number_of if name.startswith("birth_") else as_onset if name == "onset_on" else str
            self._put(found, name, f"{prefix}.{name}", f"{pointer}/{name}", read)
        return found

    def _put(self, into: dict[str, Any], key: str, name: str, pointer: str, read: Any) -> None:
        self.places[pointer] = name
        if self.typed.get(name):
            into[key] = read(self.typed[name])

    def _answers(self, prefix: str, pointer: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for name in [key for key in self.typed if key.startswith(f"{prefix}.")]:
            question = name.removeprefix(f"{prefix}.")
            self._put(found, question, name, f"{pointer}/{question}", answer_of)
        return found

    def _since_last(self) -> dict[str, Any]:
        """Return what happened: an answer that nothing did is an empty list, no answer is none at all."""
        told = self.typed.get("since")
        rows = _rows(self.typed, "event") or ([0] if told == SOME else [])
        events, sessions = list(self._events(rows)), list(self._sessions())
        since: dict[str, Any] = {"events": events} if events or told == NONE else {}
        if told == NONE and events:
            self.faults.append(FieldError("#/since_last/events", "conflicts", _BOTH))
        return since | ({"sessions": sessions} if sessions or "events" in since else {})

    def _events(self, rows: Sequence[int]) -> Iterator[dict[str, Any]]:
        for place, row in enumerate(rows):
            event: dict[str, Any] = {}
            self.places[f"#/since_last/events/{place}"] = f"event.{row}.kind"
            for key in ("kind", "on"):
                self._put(event, key, f"event.{row}.{key}", f"#/since_last/events/{place}/{key}", str)
            yield event

    def _sessions(self) -> Iterator[dict[str, Any]]:
        takes = {one["kind"]: one["takes"] for one in self.form["sessions"]}
        for place, row in enumerate(_rows(self.typed, "session")):
            session: dict[str, Any] = {}
            name, pointer = f"session.{row}", f"#/since_last/sessions/{place}"
            self.places[pointer] = f"{name}.kind"
            for key in ("kind", "on", "medication"):
                self._put(session, key, f"{name}.{key}", f"{pointer}/{key}", str)
            for key in _SESSION:
                self._put(session, key, f"{name}.{key}", f"{pointer}/{key}", number_of)
            dose = takes.get(session.get("kind", ""), "minutes")
            self._put(session, dose, f"{name}.amount", f"{pointer}/{dose}", number_of)
            yield session

    def _measurements(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = []
        for test in self.form["tests"]:
            for side in test["sides"] or (None,):
                one = self._measurement(test, side, f"#/measurements/{len(found)}")
                if one is not None:
                    found.append(one)
        return found

    def _measurement(self, test: Mapping[str, Any], side: str | None, pointer: str) -> dict[str, Any] | None:
        """Return a measurement, None where nothing but its unit stands there."""
        name, said, before = prefix_of(test["id"], side), dict[str, Any](), dict(self.places)
        trials = list(self._trials(name, pointer))
        first = f"{name}.trial.0.value"
        self.places |= {pointer: first, f"{pointer}/trials": first, f"{pointer}/result": f"{name}.result"}
        self._put(said, "value", f"{name}.summary.value", f"{pointer}/value", number_of)
        self._put(said, "trials_summarised", f"{name}.summary.trials", f"{pointer}/trials_summarised", number_of)
        if "value" in said:
            self.places[f"{pointer}/trials/0/value"] = f"{name}.summary.value"
        else:
            self.places[f"{pointer}/value"] = first
        self.places[f"{pointer}/because"] = f"{name}.result"
        result, _, because = self.typed.get(f"{name}.result", "").partition(".")
        said |= {key: one for key, one in (("result", result), ("because", because), ("trials", trials)) if one}
        for key in _RATINGS:
            self._put(said, key, f"{name}.{key}", f"{pointer}/{key}", number_of)
        setup = self._answers(f"{name}.setup", f"{pointer}/setup")
        said |= {"setup": setup} if setup else {}
        if not said:
            self.places = before
            return None
        if test["unit"] != "1" and ("value" in said or any("value" in one for one in trials)):
            self._put(said, "unit", f"{name}.unit", f"{pointer}/unit", str)
        return {"test": test["id"], **({} if side is None else {"side": side}), **said}

    def _trials(self, name: str, pointer: str) -> Iterator[dict[str, Any]]:
        for place, row in enumerate(_rows(self.typed, re.escape(f"{name}.trial"))):
            trial: dict[str, Any] = {}
            at = f"{pointer}/trials/{place}"
            self.places[at] = f"{name}.trial.{row}.value"
            self._put(trial, "value", f"{name}.trial.{row}.value", f"{at}/value", number_of)
            self._put(trial, "invalid_because", f"{name}.trial.{row}.invalid", f"{at}/invalid_because", str)
            yield trial | ({"valid": False} if "invalid_because" in trial else {})


def typed_of(body: Mapping[str, Any], zone: ZoneInfo) -> dict[str, str]:
    """Return what stands in the fields for a body, as it is posted or as the record shows it."""
    return {key: _text(one) for key, one in _fields(body, zone)}


def _fields(body: Mapping[str, Any], zone: ZoneInfo) -> Iterator[tuple[str, Any]]:
    yield "performed_at", local(datetime.fromisoformat(body["performed_at"]), zone)
    yield from ((name, body[name]) for name in _PLAIN if name in body)
    yield from ((f"{name}.{key}", one) for name in _ANSWERS for key, one in body.get(name, {}).items())
    if "confirmed" in body:
        yield "confirmed", "sides"
    since = body.get("since_last", {})
    if "events" in since:
        yield "since", SOME if since["events"] else NONE
    for row, event in enumerate(since.get("events", ())):
        yield from ((f"event.{row}.{key}", one) for key, one in event.items())
    for row, session in enumerate(since.get("sessions", ())):
        dose = {"minutes": "amount", "efforts": "amount"}
        yield from ((f"session.{row}.{dose.get(key, key)}", one) for key, one in session.items())
    for one in body.get("measurements", ()):
        yield from _measurement_fields(one)


def _measurement_fields(one: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    name = prefix_of(one["test"], one.get("side"))
    if "because" in one:
        yield f"{name}.result", f"{one['result']}.{one['because']}"
    yield from ((f"{name}.{key}", one[key]) for key in ("unit", *_RATINGS) if key in one)
    yield from ((f"{name}.setup.{key}", answer) for key, answer in one.get("setup", {}).items())
    if "trials_summarised" in one:
        yield f"{name}.summary.value", one["value"]
        yield f"{name}.summary.trials", one["trials_summarised"]
    trials = one.get("trials", [{"value": one["value"]}] if "value" in one else [])
    for row, trial in enumerate(() if "trials_summarised" in one else trials):
        yield from ((f"{name}.trial.{row}.value", trial["value"]) for _ in range("value" in trial))
        yield from (
            (f"{name}.trial.{row}.invalid", trial["invalid_because"]) for _ in range("invalid_because" in trial)
        )


def _text(one: Any) -> str:
    return str(one).lower() if isinstance(one, bool) else str(one)
