"""Entering a battery: of an episode, of a new athlete, and the questions of the morning after."""

import hmac
import re
from collections.abc import Callable, Mapping
from typing import Any

import flask
from flask import Response, request

from schemas.athlete import AthleteSchema, EpisodeSchema
from schemas.battery import ASSESSMENT, FOLLOW_UP, BatterySchema
from schemas.faults import load, pointer
from service.api.access import caller, context
from service.console.blueprint import blp, go_to, page
from service.console.entry_form import Filled, Typed, body_of, facts_of, figures_of, tests_of
from service.console.entry_page import (
    battery_page,
    draft_of,
    facts_page,
    morning_page,
    now,
    opened_sign,
    prefilled,
    told_of,
)
from service.console.forms import REFUSED
from service.console.words import dated, spoken
from service.domain.errors import INVALID_BATTERY, FieldError, ForbiddenError, InvalidDocumentError, ServiceError
from service.use_cases.context import Created
from service.use_cases.entering import Asked, entry_of_episode, entry_of_new, morning_after
from service.use_cases.posting import post_battery
from service.use_cases.previewing import preview

FACTS, BACK, MORE = "facts", "back", "more"

_BATTERY, _ATHLETE, _EPISODE = BatterySchema(), AthleteSchema(), EpisodeSchema()
_KEY = re.compile(r"[0-9a-f]{32}", re.ASCII)
_UNTOUCHED = "What is sent was not opened here. Open the form again; what was typed is put back."


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
    return battery_page(entry, prefilled(entry) | {"corrects": asked.corrects or ""})


@blp.post("/episodes/<id:episode_id>/battery")
def send_battery(episode_id: str) -> Response:
    """Keep the battery and go on to its decision."""
    typed = request.form.to_dict()
    entry = _entry(episode_id, typed)
    filled = _filled(entry, typed)
    if typed.get("step") == MORE:
        return battery_page(entry, typed)
    return _sent(filled, typed, lambda error: battery_page(entry, typed, filled, error), draft=draft_of(entry))


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
    return facts_page({})


@blp.post("/athletes/new")
def begin_athlete() -> Response:
    """Go on to the first battery, or keep it; nothing is made before that."""
    typed = request.form.to_dict()
    facts = facts_of(typed)
    faults = _faults_of_facts(facts)
    if faults or typed.get("step") == BACK:
        return facts_page(typed, facts, faults)
    entry = _new_entry(facts, typed)
    if typed.get("step") in (FACTS, MORE):
        return battery_page(entry, prefilled(entry) | typed)
    filled = _filled(entry, typed, facts)
    return _sent(filled, typed, lambda error: battery_page(entry, typed, filled, error), draft=draft_of(entry))


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
    return morning_page(entry, {"performed_at": now()})


@blp.post("/batteries/<id:battery_id>/follow-up")
def send_follow_up(battery_id: str) -> Response:
    """Keep the answers of the morning after."""
    typed = request.form.to_dict()
    entry = morning_after(context(), caller(), battery_id)
    if typed.get("step") == MORE:
        return morning_page(entry, typed)
    fixed = {"kind": FOLLOW_UP, "athlete": {"ref": entry["athlete"]["ref"]}, "follows": {"id": battery_id}}
    filled = body_of(typed, entry["form"], caller().zone, fixed)
    return _sent(filled, typed, lambda error: morning_page(entry, typed, filled, error))


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


# Values while typing


def _so_far(entry: Mapping[str, Any], filled: Filled) -> Response:
    """Return the values as JSON; a fault is an answer here, since what is being typed is not finished."""
    try:
        answer = preview(context(), caller(), _loaded(filled))
    except REFUSED as error:
        told = told_of(error, filled, entry["form"])
        answer = {"faults": [{"field": one.pointer, "detail": spoken(one.detail)} for one in told]}
    else:
        answer["look_again"] = [dated(one) for one in answer["look_again"]]
    return flask.jsonify(answer)


def _typed_there() -> dict[str, str]:
    """Return what is typed, as the page's script sends it."""
    sent = request.get_json(silent=True)
    return {key: one for key, one in sent.items() if isinstance(one, str)} if isinstance(sent, dict) else {}


def _refuse_unopened(typed: Typed, subject: str) -> None:
    """Refuse to work out values for a form that nobody of this session has opened.

    Raises:
        ForbiddenError: it was not opened.
    """
    if not hmac.compare_digest(typed.get("opened", "").encode(), opened_sign(subject).encode()):
        raise ForbiddenError(_UNTOUCHED, roles=())
