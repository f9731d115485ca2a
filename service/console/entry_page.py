"""The pages on which a battery is entered: what stands in the form at first, and what was refused of it."""

import hmac
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple
from uuid import uuid4

import flask
from flask import Response, g

from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import page
from service.console.entry_form import Filled, Typed, label_of, local, rows_of, tests_of, typed_of
from service.console.words import capitalised, words
from service.domain.canonical import canonical, digest
from service.domain.errors import FieldError, KeyReusedError, ServiceError
from service.use_cases.entering import sets_to_begin

_OF_FACTS = frozenset({"athlete", "episode", "gate", "step", "form_token", "opened"})
_OF_JSON = ", not text or a truth value"
_SENT_BEFORE = (
    "this form was sent before, perhaps from another tab, and stored with other values. Correct these where they are "
    "wrong; sent once more, what stands here is a battery of its own"
)


class Told(NamedTuple):
    """A fault as it is shown: in the list with what it is about, at its field without; `pointer` is the field."""

    pointer: str
    detail: str
    short: str = ""


def battery_page(
    entry: Mapping[str, Any], typed: Typed, filled: Filled | None = None, error: ServiceError | None = None
) -> Response:
    """Show the form of a battery; one that was refused with what was typed and its faults."""
    is_new = entry["episode"]["id"] is None
    subject = entry["athlete"]["ref"] if is_new else entry["episode"]["id"]
    action, values = ("begin_athlete", "first_values") if is_new else ("send_battery", "battery_values")
    return _form_page(
        "console/entry.html",
        entry,
        typed,
        filled,
        error,
        draft=draft_of(entry),
        opened=opened_sign(subject),
        action=_address(action, entry),
        values=_address(values, entry),
    )


def morning_page(
    entry: Mapping[str, Any], typed: Typed, filled: Filled | None = None, error: ServiceError | None = None
) -> Response:
    """Show the questions of the morning after, as `battery_page` shows its form."""
    return _form_page("console/follow_up.html", entry, typed, filled, error)


def _form_page(
    template: str,
    entry: Mapping[str, Any],
    typed: Typed,
    filled: Filled | None,
    error: ServiceError | None,
    **more: Any,
) -> Response:
    faults = [] if error is None or filled is None else told_of(error, filled, entry["form"])
    is_stored = isinstance(error, KeyReusedError)
    return page(
        template,
        200 if error is None else status_and_title(error)[0],
        entry=entry,
        form=entry["form"],
        typed=typed,
        key=(not is_stored and typed.get("idempotency_key")) or uuid4().hex,
        is_stored=is_stored,
        faults=faults,
        wrong=_wrong(faults),
        places={one.pointer: one.pointer for one in faults},
        touched=tests_of(typed),
        further={key.split(".")[1] for key, one in typed.items() if one and _is_further(key, entry["form"])},
        screened={key.removeprefix("referral.") for key in typed if key.startswith("referral.")},
        when=_when,
        is_again=error is not None,
        rows={name: rows_of(typed, name, least) for name, least in (("event", 2), ("session", 3))},
        **more,
    )


def facts_page(typed: Typed, facts: Filled | None = None, faults: Sequence[FieldError] = ()) -> Response:
    """Ask for the athlete and the episode of a first battery."""
    sets = sets_to_begin(context(), caller())
    told = [] if facts is None else [_at_field(one, facts, {"tests": []}) for one in faults]
    return page(
        "console/new_athlete.html",
        422 if faults else 200,
        sets=sets,
        typed=typed,
        faults=told,
        wrong=_wrong(told),
        places={one.pointer: one.pointer for one in told},
        conditions=sorted({(name, capitalised(words(name))) for one in sets for name in one["conditions"]}),
        kept={key: one for key, one in typed.items() if key.partition(".")[0] not in _OF_FACTS},
    )


def _wrong(faults: Sequence[Told]) -> dict[str, str]:
    """Return what is wrong with each field, the first of several."""
    return {one.pointer: one.short for one in reversed(faults) if one.pointer}


def _is_further(field: str, form: Mapping[str, Any]) -> bool:
    """Tell whether a field is of a trial beyond those that count at first."""
    scored = {one["id"]: one["trials"]["scored"] for one in form["tests"]}
    _, _, named = field.partition("m.")
    test, _, rest = named.partition(".")
    row = re.match(r"[a-z]+\.trial\.(\d+)\.", rest)
    return row is not None and test in scored and int(row[1]) >= scored[test]


def _when(question: Mapping[str, Any]) -> str | None:
    """Return in words when a question of the referral screen applies, None where it always does."""
    when = question["when"] or {}
    age, since = when.get("age", {}), when.get("days_since_onset", {})
    parts = [
        f"up to {age['at_most']} years of age" if "at_most" in age else "",
        f"from {age['at_least']} years of age" if "at_least" in age else "",
        f"in the first {since['at_most']} days" if since else "",
    ]
    told = [one for one in parts if one]
    return f"Asked {', '.join(told)}" if told else None


def told_of(error: ServiceError, filled: Filled, form: Mapping[str, Any]) -> list[Told]:
    """Return what is refused, each at its field; what has no place of its own as one sentence."""
    errors: Sequence[FieldError] = getattr(error, "errors", ())
    if isinstance(error, KeyReusedError):
        return [Told("", _SENT_BEFORE)]
    return [_at_field(one, filled, form) for one in errors] or [Told("", error.message)]


def _at_field(fault: FieldError, filled: Filled, form: Mapping[str, Any]) -> Told:
    field, detail = filled.field(fault.pointer), fault.detail.removesuffix(_OF_JSON)
    if field is None:
        return Told("", detail)
    test = field.removeprefix("m.").partition(".")[0]
    detail = detail.removeprefix(f"{test} ")
    return Told(field, f"{label_of(field, form)}: {detail}", detail)


def prefilled(entry: Mapping[str, Any]) -> dict[str, str]:
    """Return what stands in the fields at first: now, and the setup of last time; or the battery that is corrected."""
    if entry["sent"] is not None:
        return typed_of(entry["sent"], caller().zone)
    last = entry["form"]["last"] or {"setup": {}}
    return {"performed_at": now(), **{f"setup.{key}": str(one) for key, one in last["setup"].items()}}


def now() -> str:
    """Return the present minute as a field of a form has it."""
    return local(context().clock().replace(second=0), caller().zone)


def _address(endpoint: str, entry: Mapping[str, Any]) -> str:
    episode = entry["episode"]["id"]
    return (
        flask.url_for(f"console.{endpoint}")
        if episode is None
        else flask.url_for(f"console.{endpoint}", episode_id=episode)
    )


def draft_of(entry: Mapping[str, Any]) -> str:
    """Return under what the browser keeps what is typed: nobody else's, of one athlete, stage and correction."""
    form, athlete, episode = entry["form"], entry["athlete"], entry["episode"]
    new = canonical([athlete["ref"], episode["ref"]])
    of = entry.get("corrects") or episode["id"] or digest(new).rpartition(":")[2]
    return f"draft-{caller().actor}-{of}-{form['criteria_set']['id']}-{form['stage']['id']}"


def opened_sign(subject: str) -> str:
    """Return the sign that this person has the form open, so that reading the record for it was noted."""
    return hmac.new(str(g.session_secret).encode(), f"opened {subject}".encode(), "sha256").hexdigest()
