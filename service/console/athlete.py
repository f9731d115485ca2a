"""The athlete page: every episode over time, and all that a clinician enters beside batteries."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from flask import Response, request

from schemas.appending import (
    REF_CHANGED,
    PostedEventSchema,
    PostedExceptionSchema,
    PostedResolutionSchema,
    PostedVoidSchema,
    RefChangeSchema,
    StoredEvidenceSchema,
)
from schemas.athlete import INVOLVED_SIDES, OTHER_SIDES
from schemas.entries import RESOLUTIONS
from schemas.signing import PARTICIPATION, PositionSignOffSchema
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.charts import HEIGHT, LEFT, RIGHT, WIDTH, chart_of
from service.console.forms import REFUSED, faults_of, key, labelled, loaded, new_key, typed, wrong_of
from service.console.words import as_id, as_onset, capitalised, words
from service.domain.criteria import CriteriaSet
from service.domain.errors import FieldError, ServiceError
from service.domain.record import CLOSED
from service.domain.words import short_label
from service.use_cases.context import Created
from service.use_cases.deciding import decide_now
from service.use_cases.overruling import except_criterion, resolve_finding, void_entry
from service.use_cases.reading_athletes import read_athlete
from service.use_cases.signing import sign_position
from service.use_cases.telling_events import rename_athlete, tell_event

EVENTS = {
    "setback": "Setback: a flare of pain or swelling",
    "giving_way": "Giving way",
    "re_injury": "Re-injury",
    "closed": "Close the episode",
}
_FACTS = ("involved_side", "onset_on", "other_side")
FIELDS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "event": {
        "#/kind": ("kind", "What"),
        "#/on": ("on", "On"),
        "#/at": ("on", "On"),
        "#/cause": ("cause", "Cause of closing"),
    },
    "corrected": {
        "#/on": ("on", "Known since"),
        "#/involved_side": ("involved_side", "Injured side"),
        "#/onset_on": ("onset_on", "Onset"),
        "#/other_side": ("other_side", "The other side"),
    },
    "reclassified": {
        "#/on": ("on", "Known since"),
        "#/condition": ("condition", "Condition"),
    },
    "ref_changed": {"#/ref": ("ref", "Ref of the episode")},
    "renamed": {"#/ref": ("ref", "Ref of the athlete")},
    "finding": {"#/as": ("as", "It is"), "#/rationale": ("rationale", "Rationale")},
    "exception": {
        "#/stage": ("waived", "Criterion"),
        "#/criterion": ("waived", "Criterion"),
        "#/until": ("until", "Until"),
        "#/reason": ("reason", "Reason"),
    },
    "position": {
        "#/position": ("stage", "Position"),
        "#/position/stage": ("stage", "Stage"),
        "#/position/participation": ("participation", "Participation"),
        "#/valid_until": ("valid_until", "Valid until"),
        "#/conditions": ("conditions", "Conditions"),
        "#/rationale": ("rationale", "Rationale"),
    },
    "void": {"#/reason": ("reason", "Reason")},
    "decision": {"#/target_stage": ("target_stage", "Stage")},
}
"""The fields of each form and what they are called, by the place in the body that they fill."""

_EVENT, _REF = PostedEventSchema(), RefChangeSchema()
_RESOLUTION, _EXCEPTION = PostedResolutionSchema(), PostedExceptionSchema()
_POSITION, _VOID, _STORED = PositionSignOffSchema(), PostedVoidSchema(), StoredEvidenceSchema()
_DONE = {
    "event": "It is on the record.",
    "corrected": "It is corrected.",
    "reclassified": "The episode has another condition.",
    "ref_changed": "The episode has another ref.",
    "renamed": "The athlete has another ref.",
    "finding": "The finding is resolved.",
    "exception": "The exception is on the record.",
    "position": "The position is set.",
    "void": "The entry was taken back.",
}


@blp.get("/athletes/<id:athlete_id>")
def athlete(athlete_id: str) -> Response:
    """Show an athlete."""
    return _shown(athlete_id)


@blp.post("/athletes/<id:athlete_id>/ref")
def rename(athlete_id: str) -> Response:
    """Give an athlete another ref."""
    body = typed("ref") | {"kind": REF_CHANGED}
    return _done("renamed", lambda: rename_athlete(context(), caller(), athlete_id, loaded(_REF, body), key()))


@blp.post("/episodes/<id:episode_id>/events")
def tell_what_happened(episode_id: str) -> Response:
    """Tell an event."""
    body = typed("kind", "on", "cause", "ref", *_FACTS)
    body |= {name: as_id(told) for name, told in typed("condition").items()}
    body |= {name: as_onset(told) for name, told in typed("onset_on").items()}
    opened_at = request.form.get("opened_at")
    if opened_at and (body.get("kind"), body.get("on")) == (CLOSED, _today().isoformat()):
        # A date begins at its midnight: who closes today means now, after what was tested today.
        del body["on"]
        body["at"] = opened_at
    what = body["kind"] if body.get("kind") in FIELDS else "event"
    return _done(what, lambda: tell_event(context(), caller(), episode_id, loaded(_EVENT, body), key()))


@blp.post("/episodes/<id:episode_id>/findings/<finding>/resolution")
def resolve(episode_id: str, finding: str) -> Response:
    """Resolve a finding."""
    body = typed("as", "on", "rationale")
    return _done(
        "finding", lambda: resolve_finding(context(), caller(), episode_id, finding, loaded(_RESOLUTION, body), key())
    )


@blp.post("/episodes/<id:episode_id>/exceptions")
def waive(episode_id: str) -> Response:
    """Waive a criterion at a stage until a date."""
    body = typed("until", "reason")
    body["stage"], _, body["criterion"] = request.form.get("waived", "").partition("/")
    return _done(
        "exception", lambda: except_criterion(context(), caller(), episode_id, loaded(_EXCEPTION, body), key())
    )


@blp.post("/episodes/<id:episode_id>/sign-offs")
def set_position(episode_id: str) -> Response:
    """Set the position without a decision."""
    body: dict[str, Any] = typed("conditions", "valid_until", "rationale")
    body["position"] = typed("stage", "participation")
    return _done("position", lambda: sign_position(context(), caller(), episode_id, loaded(_POSITION, body), key()))


@blp.post("/entries/<id:entry_id>/void")
def take_back(entry_id: str) -> Response:
    """Take back an entry that was made in error."""
    body = typed("reason")
    return _done("void", lambda: void_entry(context(), caller(), entry_id, loaded(_VOID, body), key()))


@blp.post("/episodes/<id:episode_id>/decisions")
def judge_now(episode_id: str) -> Response:
    """Judge what is on record, and show the decision."""
    body = typed("target_stage")
    try:
        made = decide_now(context(), caller(), episode_id, loaded(_STORED, body), key())
    except REFUSED as error:
        return _refused("decision", error)
    return go_to("decision", decision_id=made.id)


def _done(what: str, act: Callable[[], Created]) -> Response:
    try:
        made = act()
    except REFUSED as error:
        return _refused(what, error)
    return go_to("athlete", athlete_id=made.answer["athlete_id"], done=what)


def _refused(what: str, error: ServiceError) -> Response:
    return _shown(request.form.get("athlete_id", ""), what, faults_of(error), status_and_title(error)[0])


def _shown(id_: str, what: str | None = None, faults: tuple[FieldError, ...] = (), status: int = 200) -> Response:
    found = read_athlete(context(), caller(), id_)
    refused = what and (what, *(request.view_args or {}).values())
    fields = FIELDS[what] if what else {}
    places = {place: "-".join((*refused, name)) for place, (name, _) in fields.items()} if refused else {}
    return page(
        "console/athlete.html",
        status,
        athlete=found,
        charts=lambda series: [(one, chart_of(one["points"])) for one in series],
        shape={"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT},
        events=EVENTS,
        resolutions=RESOLUTIONS,
        participation=PARTICIPATION,
        sides=INVOLVED_SIDES,
        other_sides=OTHER_SIDES,
        worded=lambda ids: [(one, capitalised(words(one))) for one in ids],
        stages_of=lambda criteria: [(key, gate.title) for key, gate in criteria.gates.items()],
        asked_of=_asked_of,
        label_of=short_label,
        refused=refused,
        typed=request.form if what else {},
        faults=labelled(faults, {place: label for place, (_, label) in fields.items()}),
        places=places,
        wrong=wrong_of(faults, places),
        new_key=new_key,
        opened_at=context().clock().isoformat(),
        done=_DONE.get(request.args.get("done", "")),
    )


def _asked_of(criteria: CriteriaSet) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return what each stage asks, as choices below its title."""
    return [
        (gate.title, [(f"{stage}/{key}", f"{gate.title}: {short_label(key, criteria)}") for key in gate.asks])
        for stage, gate in criteria.gates.items()
        if gate.asks
    ]


def _today() -> date:
    return context().clock().astimezone(caller().zone).date()
