"""Entering a battery: of an episode, of a new athlete, and the questions of the morning after."""

import hmac
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple
from uuid import uuid4

import flask
from flask import Response, g, request

from schemas.athlete import AthleteSchema, EpisodeSchema
from schemas.battery import ASSESSMENT, FOLLOW_UP, BatterySchema
from schemas.faults import load, pointer
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.entry_form import (
    Filled,
    Typed,
    body_of,
    facts_of,
    figures_of,
    label_of,
    local,
    rows_of,
    tests_of,
    typed_of,
)
from service.console.forms import REFUSED
from service.console.words import capitalised, words
from service.domain.canonical import canonical, digest
from service.domain.errors import (
    INVALID_BATTERY,
    FieldError,
    ForbiddenError,
    InvalidDocumentError,
    KeyReusedError,
    ServiceError,
)
from service.use_cases.context import Created
from service.use_cases.entering import Asked, entry_of_episode, entry_of_new, morning_after, sets_to_begin
from service.use_cases.posting import post_battery
from service.use_cases.previewing import preview

FACTS, BACK, MORE = "facts", "back", "more"

_BATTERY, _ATHLETE, _EPISODE = BatterySchema(), AthleteSchema(), EpisodeSchema()
_KEY = re.compile(r"[0-9a-f]{32}", re.ASCII)
_UNTOUCHED = "What is sent was not opened here. Open the form again; what was typed is put back."


class Told(NamedTuple):
    """A fault as it is shown: in the list with what it is about, at its field without; `pointer` is the field."""

    pointer: str
    detail: str
    short: str = ""


@blp.get("/alive")
def alive() -> tuple[str, int]:
    """Say that the service can be reached and the session goes on, before a long form is sent."""
    return "", 204


@blp.get("/episodes/<id:episode_id>/battery")
def battery_form(episode_id: str) -> Response:
    """Show the form of a stage; without one, the stages to choose from."""
    sent = request.args
    asked = Asked(sent.get("stage"), sent.get("set_id"), sent.get("corrects"))
    entry = entry_of_episode(context(), caller(), episode_id, asked) | {"corrects": asked.corrects}
    if entry["form"] is None:
        return page("console/stages.html", entry=entry)
    return _battery_page(entry, _prefilled(entry) | {"corrects": asked.corrects or ""})


@blp.post("/episodes/<id:episode_id>/battery")
def send_battery(episode_id: str) -> Response:
    """Keep the battery and go on to its decision."""
    typed = request.form.to_dict()
    entry = _entry(episode_id, typed)
    filled = _filled(entry, typed)
    if typed.get("step") == MORE:
        return _battery_page(entry, typed)
    return _sent(filled, typed, lambda error: _battery_page(entry, typed, filled, error), draft=_draft(entry))


@blp.post("/episodes/<id:episode_id>/battery/values")
def battery_values(episode_id: str) -> Response:
    """Answer what the criteria come to so far."""
    typed = _typed_there()
    _refuse_unopened(typed, episode_id)
    entry = _entry(episode_id, typed, is_open=True)
    return _so_far(entry, _filled(entry, typed))


@blp.get("/athletes/new")
def new_athlete() -> Response:
    """Ask for the athlete and the episode of a first battery."""
    return _facts_page({})


@blp.post("/athletes/new")
def begin_athlete() -> Response:
    """Go on to the first battery, or keep it; nothing is made before that."""
    typed = request.form.to_dict()
    facts = facts_of(typed)
    faults = _faults_of_facts(facts)
    if faults or typed.get("step") == BACK:
        return _facts_page(typed, facts, faults)
    entry = _new_entry(facts, typed)
    if typed.get("step") in (FACTS, MORE):
        return _battery_page(entry, _prefilled(entry) | typed)
    filled = _filled(entry, typed, facts)
    return _sent(filled, typed, lambda error: _battery_page(entry, typed, filled, error), draft=_draft(entry))


@blp.post("/athletes/new/values")
def first_values() -> Response:
    """Answer what the criteria of a first battery come to so far."""
    typed = _typed_there()
    facts = facts_of(typed)
    _refuse_unopened(typed, facts.body["athlete"].get("ref", ""))
    entry = _new_entry(facts, typed, is_open=True)
    return _so_far(entry, _filled(entry, typed, facts))


@blp.get("/batteries/<id:battery_id>/follow-up")
def follow_up_form(battery_id: str) -> Response:
    """Ask the questions of the morning after."""
    entry = morning_after(context(), caller(), battery_id)
    if request.args.get("kept"):
        return page("console/follow_up_kept.html", entry=entry)
    return _morning_page(entry, {"performed_at": _now()})


@blp.post("/batteries/<id:battery_id>/follow-up")
def send_follow_up(battery_id: str) -> Response:
    """Keep the answers of the morning after."""
    typed = request.form.to_dict()
    entry = morning_after(context(), caller(), battery_id)
    if typed.get("step") == MORE:
        return _morning_page(entry, typed)
    fixed = {"kind": FOLLOW_UP, "athlete": {"ref": entry["athlete"]["ref"]}, "follows": {"id": battery_id}}
    filled = body_of(typed, entry["form"], caller().zone, fixed)
    return _sent(filled, typed, lambda error: _morning_page(entry, typed, filled, error))


# What was typed


def _entry(episode: str, typed: Typed, *, is_open: bool = False) -> dict[str, Any]:
    asked = _asked(typed, is_open=is_open)
    return entry_of_episode(context(), caller(), episode, asked) | {"corrects": asked.corrects}


def _new_entry(facts: Filled, typed: Typed, *, is_open: bool = False) -> dict[str, Any]:
    return entry_of_new(context(), caller(), facts.body, _asked(typed, is_open=is_open))


def _asked(typed: Typed, *, is_open: bool) -> Asked:
    set_id, _, stage = typed.get("gate", "").partition("/")
    return Asked(stage, set_id, typed.get("corrects") or None, tuple(sorted(tests_of(typed))), is_open)


def _filled(entry: Mapping[str, Any], typed: Typed, facts: Filled | None = None) -> Filled:
    form = entry["form"]
    fixed: dict[str, Any] = {
        "kind": ASSESSMENT,
        "athlete": {"ref": entry["athlete"]["ref"]},
        "episode": {key: one for key, one in entry["episode"].items() if key != "id"},
        "criteria_set": form["criteria_set"]["id"],
        "target_stage": form["stage"]["id"],
    }
    if facts is not None:
        fixed |= facts.body
    if entry.get("corrects"):
        sent = entry["sent"]
        fixed |= {"supersedes": {"id": entry["corrects"]}, "athlete": fixed["athlete"] | figures_of(sent["athlete"])}
        fixed |= {"ref": sent["ref"]} if "ref" in sent else {}
    filled = body_of(typed, form, caller().zone, fixed)
    return filled if facts is None else filled._replace(places=facts.places | filled.places)


def _loaded(filled: Filled) -> Mapping[str, Any]:
    """Return the body as the API would load it.

    Raises:
        InvalidDocumentError: every fault of its shape.
    """
    loaded, faults = load(_BATTERY, filled.body)
    found = [*filled.faults, *(FieldError(pointer(one.path), one.code, one.detail) for one in faults)]
    if found:
        raise InvalidDocumentError(INVALID_BATTERY, found)
    body: Mapping[str, Any] = loaded
    return body


def _faults_of_facts(facts: Filled) -> list[FieldError]:
    return [
        FieldError(pointer((name, *one.path)), one.code, one.detail)
        for name, schema in (("athlete", _ATHLETE), ("episode", _EPISODE))
        for one in load(schema, facts.body[name])[1]
    ]


def _sent(
    filled: Filled, typed: Typed, again: Callable[[ServiceError], Response], *, draft: str | None = None
) -> Response:
    """Keep what was typed and go on to what came of it; what is refused is shown again."""
    key = typed.get("idempotency_key", "")
    if not _KEY.fullmatch(key):
        flask.abort(400, _UNTOUCHED)
    try:
        made = post_battery(context(), caller(), _loaded(filled), key)
    except REFUSED as error:
        return again(error)
    anchor = None if draft is None else f"sent={draft}"
    return _to_what_came_of_it(made, anchor)


def _to_what_came_of_it(made: Created, anchor: str | None) -> Response:
    if "outcome" in made.answer:
        return go_to("decision", decision_id=made.answer["id"], _anchor=anchor)
    # Only a follow-up is kept and not judged: of an occasion after which another has come.
    return go_to("follow_up_form", battery_id=request.view_args["battery_id"], kept="yes")  # type: ignore[index]


def _so_far(entry: Mapping[str, Any], filled: Filled) -> Response:
    """Return the values as JSON; a fault is an answer here, since what is being typed is not finished."""
    try:
        answer = preview(context(), caller(), _loaded(filled))
    except REFUSED as error:
        told = _told(error, filled, entry["form"])
        answer = {"faults": [{"field": one.pointer, "detail": one.detail} for one in told]}
    return flask.jsonify(answer)


# Pages


def _battery_page(
    entry: Mapping[str, Any], typed: Typed, filled: Filled | None = None, error: ServiceError | None = None
) -> Response:
    is_new = entry["episode"]["id"] is None
    subject = entry["athlete"]["ref"] if is_new else entry["episode"]["id"]
    action, values = ("begin_athlete", "first_values") if is_new else ("send_battery", "battery_values")
    return _form_page(
        "console/entry.html",
        entry,
        typed,
        filled,
        error,
        draft=_draft(entry),
        opened=_opened(subject),
        action=_address(action, entry),
        values=_address(values, entry),
    )


def _morning_page(
    entry: Mapping[str, Any], typed: Typed, filled: Filled | None = None, error: ServiceError | None = None
) -> Response:
    return _form_page("console/follow_up.html", entry, typed, filled, error)


def _form_page(
    template: str,
    entry: Mapping[str, Any],
    typed: Typed,
    filled: Filled | None,
    error: ServiceError | None,
    **more: Any,
) -> Response:
    faults = [] if error is None or filled is None else _told(error, filled, entry["form"])
    return page(
        template,
        200 if error is None else status_and_title(error)[0],
        entry=entry,
        form=entry["form"],
        typed=typed,
        key=typed.get("idempotency_key") or uuid4().hex,
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


def _facts_page(typed: Typed, facts: Filled | None = None, faults: Sequence[FieldError] = ()) -> Response:
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


_OF_FACTS = frozenset({"athlete", "episode", "gate", "step", "form_token", "opened"})


def _told(error: ServiceError, filled: Filled, form: Mapping[str, Any]) -> list[Told]:
    """Return what is refused, each at its field; what has no place of its own as one sentence."""
    errors: Sequence[FieldError] = getattr(error, "errors", ())
    if isinstance(error, KeyReusedError):
        return [Told("", _SENT_BEFORE)]
    return [_at_field(one, filled, form) for one in errors] or [Told("", error.message)]


_OF_JSON = ", not text or a truth value"
_SENT_BEFORE = (
    "this form was sent and stored before, with other values; look at what was stored on the athlete's page, and "
    "correct it there"
)


def _at_field(fault: FieldError, filled: Filled, form: Mapping[str, Any]) -> Told:
    field, detail = filled.field(fault.pointer), fault.detail.removesuffix(_OF_JSON)
    return Told("", detail) if field is None else Told(field, f"{label_of(field, form)}: {detail}", detail)


def _prefilled(entry: Mapping[str, Any]) -> dict[str, str]:
    """Return what stands in the fields at first: now, and the setup of last time; or the battery that is corrected."""
    if entry["sent"] is not None:
        return typed_of(entry["sent"], caller().zone)
    last = entry["form"]["last"] or {"setup": {}}
    return {"performed_at": _now(), **{f"setup.{key}": str(one) for key, one in last["setup"].items()}}


def _now() -> str:
    return local(context().clock().replace(second=0), caller().zone)


def _address(endpoint: str, entry: Mapping[str, Any]) -> str:
    episode = entry["episode"]["id"]
    return (
        flask.url_for(f"console.{endpoint}")
        if episode is None
        else flask.url_for(f"console.{endpoint}", episode_id=episode)
    )


def _draft(entry: Mapping[str, Any]) -> str:
    """Return under what the browser keeps what is typed: nobody else's, of one athlete, stage and correction."""
    form, athlete, episode = entry["form"], entry["athlete"], entry["episode"]
    new = canonical([athlete["ref"], episode["ref"]])
    of = entry.get("corrects") or episode["id"] or digest(new).rpartition(":")[2]
    return f"draft-{caller().actor}-{of}-{form['criteria_set']['id']}-{form['stage']['id']}"


# Values while typing


def _opened(subject: str) -> str:
    """Return the sign that this person has the form open, so that reading the record for it was noted."""
    return hmac.new(str(g.session_secret).encode(), f"opened {subject}".encode(), "sha256").hexdigest()


def _typed_there() -> dict[str, str]:
    """Return what is typed, as the page's script sends it."""
    sent = request.get_json(silent=True)
    return {key: one for key, one in sent.items() if isinstance(one, str)} if isinstance(sent, dict) else {}


def _refuse_unopened(typed: Typed, subject: str) -> None:
    """Refuse to work out values for a form that nobody of this session has opened.

    Raises:
        ForbiddenError: it was not opened.
    """
    if not hmac.compare_digest(typed.get("opened", "").encode(), _opened(subject).encode()):
        raise ForbiddenError(_UNTOUCHED, roles=())
