"""Reminder plans: the organisation's among the settings, and an episode's own."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from flask import Response, request

from schemas.reminding import GROUPS, MOST_DAYS, MOST_STEPS, EpisodePlanSchema, PlanSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.forms import REFUSED, faults_of, labelled, loaded, typed, whole, wrong_of
from service.domain.errors import FieldError, ServiceError
from service.use_cases.reminder_plans import change_episode_plan, change_organisation_plan, drop_episode_plan
from service.use_cases.writing_plans import episode_plan_to_write, organisation_plan_to_write

WHEN = {"before": "Before", "on_day": "On the day", "overdue": "Overdue"}
REMOVED = "removed"
_WHOLE, _STEPS = PlanSchema(), EpisodePlanSchema()
_DONE = {
    "plan": "The reminder plan is kept. What is due is reminded of by it from now on.",
    "no_plan": "The organisation's plan counts for this episode again.",
}


class Typed(NamedTuple):
    """The steps that were typed, and what the field of each place in the body is called."""

    steps: list[dict[str, Any]]
    places: dict[str, str]


@blp.get("/settings")
def settings() -> Response:
    """Show the organisation's reminder plan."""
    return _of_organisation()


@blp.post("/settings")
def save_plan() -> Response:
    """Keep another plan for the organisation."""
    sent = _typed()
    try:
        body = loaded(_WHOLE, typed("at") | {"steps": sent.steps})
        change_organisation_plan(context(), caller(), body, etag=request.form.get("etag", ""))
    except REFUSED as error:
        return _of_organisation(error, {"#/at": "at", **sent.places})
    return go_to("settings", done="plan")


@blp.get("/episodes/<id:episode_id>/reminders")
def reminders(episode_id: str) -> Response:
    """Show the plan that counts for an episode."""
    return _of_episode(episode_id)


@blp.post("/episodes/<id:episode_id>/reminders")
def save_own_plan(episode_id: str) -> Response:
    """Give an episode steps of its own."""
    sent = _typed()
    try:
        body = loaded(_STEPS, {"steps": sent.steps})
        change_episode_plan(context(), caller(), episode_id, body, etag=request.form.get("etag", ""))
    except REFUSED as error:
        return _of_episode(episode_id, error, sent.places)
    return go_to("reminders", episode_id=episode_id, done="plan")


@blp.post("/episodes/<id:episode_id>/reminders/drop")
def drop_own_plan(episode_id: str) -> Response:
    """Let an episode go back to the organisation's plan."""
    try:
        drop_episode_plan(context(), caller(), episode_id, etag=request.form.get("etag", ""))
    except REFUSED as error:
        return _of_episode(episode_id, error)
    return go_to("reminders", episode_id=episode_id, done="no_plan")


def _of_organisation(error: ServiceError | None = None, places: Mapping[str, str] | None = None) -> Response:
    return _shown("console/settings_plan.html", organisation_plan_to_write(context(), caller()), error, places)


def _of_episode(id_: str, error: ServiceError | None = None, places: Mapping[str, str] | None = None) -> Response:
    return _shown("console/reminders.html", episode_plan_to_write(context(), caller(), id_), error, places)


def _shown(
    template: str, found: Mapping[str, Any], error: ServiceError | None, places: Mapping[str, str] | None
) -> Response:
    """Show a plan: as it is kept, or as it was typed where that was refused."""
    faults = () if error is None else faults_of(error)
    is_typed = places is not None
    fields = _nearest(faults, places or {})
    rows = (_rows_typed() or _rows_kept([])) if is_typed else _rows_kept(found["plan"]["steps"])
    return page(
        template,
        200 if error is None else status_and_title(error)[0],
        **found,
        rows=rows,
        typed=request.form if is_typed else {"at": found["plan"]["at"]},
        when=WHEN,
        removed=REMOVED,
        groups=GROUPS,
        most_days=MOST_DAYS,
        faults=labelled(faults, _labels(fields)),
        places=fields,
        wrong=wrong_of(faults, fields),
        done=_DONE.get(request.args.get("done", "")),
    )


def _typed() -> Typed:
    """Return the steps of the form; a row of which nothing was typed, or that is removed, is none."""
    sent = Typed([], {"#/steps": "step.0.when"})
    for row, one in _rows_typed().items():
        if one["when"] == REMOVED or not any(one.values()):
            continue
        at = f"#/steps/{len(sent.steps)}"
        sent.places.update({at: f"step.{row}.when"} | {f"{at}/{name}": f"step.{row}.{name}" for name in one})
        days = {"days": whole(one["days"])} if one["days"] else {}
        sent.steps.append(({"when": one["when"]} if one["when"] else {}) | days | {"to": one["to"]})
    return sent


def _rows_typed() -> dict[int, dict[str, Any]]:
    """Return the rows of the form, one more than a plan can have at most."""
    form = request.form
    rows = (row for row in range(MOST_STEPS + 1) if f"step.{row}.when" in form)
    return {
        row: {name: form.get(f"step.{row}.{name}", "").strip() for name in ("when", "days")}
        | {"to": form.getlist(f"step.{row}.to")}
        for row in rows
    }


def _rows_kept(steps: list[dict[str, Any]]) -> dict[int, dict[str, Any]]:
    """Return the steps of a plan as rows of the form, and an empty one after them."""
    rows = [{"days": "", **one} for one in steps]
    return dict(enumerate([*rows, {"when": "", "days": "", "to": []}]))


def _labels(fields: Mapping[str, str]) -> dict[str, str]:
    """Return what each fault of a step is about, by its place."""
    parts = {place: field.split(".") for place, field in fields.items() if field.startswith("step.")}
    return {place: f"step {int(row) + 1}, {name}" for place, (_, row, name) in parts.items()}


def _nearest(faults: tuple[FieldError, ...], places: Mapping[str, str]) -> dict[str, str]:
    """Return the field of each fault: that of its place, else of the nearest place above it."""
    found: dict[str, str] = {}
    for one in faults:
        place = one.pointer
        while place not in places and "/" in place:
            place = place.rpartition("/")[0]
        if place in places:
            found[one.pointer] = places[place]
    return found
