"""The decision page, and signing a decision off."""

import re
from collections.abc import Mapping
from typing import Any

from flask import Response, abort, current_app, g, request

from schemas.signing import DETERMINATIONS, PARTICIPATION, SignOffSchema
from schemas.signing import REFUSED as NOT_SAID
from service.api.access import caller, context
from service.api.problems import status_and_title
from service.console.blueprint import blp, go_to, page
from service.console.criteria_view import criterion_view
from service.console.forms import KEY, REFUSED, faults_of, key, labelled, loaded, new_key, typed, wrong_of
from service.console.strips import HEIGHT, LINE, WIDTH, strip_of
from service.console.words import beside
from service.domain.criteria import CriteriaSet
from service.domain.errors import FieldError
from service.domain.words import title_of
from service.use_cases.reading_decisions import Reading, read_decision
from service.use_cases.signing import sign_decision

WORKING = "working"
_SIGN_OFF = SignOffSchema()
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}", re.ASCII)
_MARGIN = '@page {{ @top-left {{ content: "Digest {}"; font: 7pt monospace; }} }}'
_STATUSES = ("not_met", "not_assessed", "met")
_TEXTS = ("decision_digest", "determination", "rationale", "conditions", "valid_until")
_FIELDS = {
    "#/determination": ("determination-agree", "Determination"),
    "#/position": ("stage", "Position"),
    "#/position/stage": ("stage", "Stage"),
    "#/position/participation": ("participation", "Participation"),
    "#/criteria_overridden": ("overridden", "Criteria overridden"),
    "#/rationale": ("rationale", "Rationale"),
    "#/conditions": ("conditions", "Conditions"),
    "#/valid_until": ("valid_until", "Valid until"),
    "#/informed": ("informed", "Informed"),
}
_PLACES = {place: field for place, (field, _) in _FIELDS.items()}
_LABELS = {place: label for place, (_, label) in _FIELDS.items()}


@blp.get("/decisions/<id:decision_id>")
def decision(decision_id: str) -> Response:
    """Show a decision: what has become of it, verdict, caution, reasons, what comes next, and the sign-off."""
    return _shown(decision_id, {})


@blp.get("/print/<digest>.css")
def print_margin(digest: str) -> Response:
    """Return the style sheet that prints a digest in the margin of every page: only a sheet of its own can name it."""
    if not _DIGEST.fullmatch(digest):
        abort(404)
    return current_app.response_class(_MARGIN.format(digest), mimetype="text/css")


@blp.post("/decisions/<id:decision_id>/sign-offs")
def sign(decision_id: str) -> Response:
    """Sign a decision off."""
    try:
        sign_decision(context(), caller(), decision_id, _body(), key())
    except REFUSED as error:
        filled = request.form.to_dict() | {"criteria_overridden": request.form.getlist("criteria_overridden")}
        return _shown(decision_id, filled, faults_of(error), status_and_title(error)[0])
    return go_to("decision", decision_id=decision_id, signed="yes", _anchor="sign-offs")


def _shown(id_: str, filled: Mapping[str, Any], faults: tuple[FieldError, ...] = (), status: int = 200) -> Response:
    found = read_decision(context(), caller(), id_, with_working=WORKING in request.args)
    return page(
        "console/decision.html",
        status,
        found=found,
        groups=_groups(found),
        shape={"width": WIDTH, "height": HEIGHT, "line": LINE},
        stages=found.criteria.document["stages"],
        determinations=DETERMINATIONS,
        refused=NOT_SAID,
        participation=PARTICIPATION,
        typed={KEY: new_key(), **filled},
        faults=labelled(faults, _LABELS),
        places=_PLACES,
        wrong=wrong_of(faults, _PLACES),
        is_signed="signed" in request.args,
        with_working=WORKING in request.args,
        signer=g.caller,
        titles=_Titles(found.criteria),
    )


class _Titles:
    """What things of a set are called, for a template."""

    def __init__(self, criteria: CriteriaSet) -> None:
        self.criteria = criteria

    def stage(self, id_: str | None) -> str:
        """Return the title of a stage; another set's has its id only."""
        gate = self.criteria.gates.get(id_ or "")
        return gate.title if gate is not None else str(id_ or "none").replace("_", " ")

    def criterion(self, id_: str) -> str:
        """Return what a criterion is called."""
        known = id_ in self.criteria.criteria
        return str(criterion_view(id_, self.criteria)["title"]) if known else title_of(id_, self.criteria)


def _groups(found: Reading) -> list[dict[str, Any]]:
    """Return what the stage asks by status, each followed by its parts and routes, with the strip of each."""
    groups: dict[str, list[dict[str, Any]]] = {status: [] for status in _STATUSES}
    rows: list[dict[str, Any]] = []
    for reason in found.decision["reasons"]:
        if reason["part_of"] is None:
            rows = groups[reason["status"]]
        depth = _depth(reason, found.decision["reasons"])
        rows.append(
            {
                "reason": reason,
                "depth": depth,
                "strip": strip_of(reason),
                "value": _value(reason),
                "about": criterion_view(reason["criterion"], found.criteria),
                "working": found.working.get(reason["criterion"], []),
            }
        )
    return [{"status": status, "rows": rows, "count": _asked(rows)} for status, rows in groups.items() if rows]


def _value(reason: Mapping[str, Any]) -> str | None:
    """Return a figure with as many places as its side of the threshold needs to show, as its statement has it."""
    measured, threshold = reason["measured"], reason["threshold"]
    if measured is None or threshold is None:
        return None if measured is None else str(measured["value"])
    return beside(measured["value"], threshold["value"])


def _asked(rows: list[dict[str, Any]]) -> int:
    return sum(one["depth"] == 0 for one in rows)


def _depth(reason: Mapping[str, Any], reasons: list[dict[str, Any]]) -> int:
    """Return how far below a name that the stage asks a reason stands."""
    parents = {one["criterion"]: one["part_of"] for one in reasons}
    depth, parent = 0, reason["part_of"]
    while parent is not None:
        depth, parent = depth + 1, parents.get(parent)
    return depth


def _body() -> Any:
    """Return the form as the body that the API takes.

    Raises:
        InvalidDocumentError: what was typed can't be a sign-off.
    """
    body = typed(*_TEXTS)
    position = typed("stage", "participation")
    overridden = request.form.getlist("criteria_overridden")
    informed = [one.strip() for one in request.form.get("informed", "").split(",") if one.strip()]
    more = {"position": position, "criteria_overridden": overridden, "informed": informed}
    return loaded(_SIGN_OFF, body | {name: value for name, value in more.items() if value})
