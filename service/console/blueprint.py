"""The console's blueprint: how a page is answered, and what a fault looks like to a person.

A page is `page("console/team.html", athletes=...)` from a view of a file beside this one; its row in
`service.api.access.ROLES` says who may open it.
"""

import hmac
from typing import Any

import flask
from flask import Response, current_app, g, render_template, request
from werkzeug.exceptions import HTTPException

from service.api.access import context, may
from service.api.problems import status_and_title
from service.console import words
from service.domain.errors import FieldError, ForbiddenError, ServiceError
from service.domain.words import listed

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
NAME = "console"
SEE_OTHER = 303
SECTIONS = {"team": "Team", "due": "Due", "criteria": "Criteria", "settings": "Settings", "terms": "Terms"}
"""The pages that every page leads to, those that the person may open."""

blp = flask.Blueprint(
    NAME,
    __name__,
    url_prefix="/console",
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)
words.add_filters(blp)


def page(template: str, status: int = 200, **values: Any) -> Response:
    """Return a page; the person who is signed in and the token of forms are known to every template."""
    return current_app.response_class(render_template(template, **values), status)


def go_to(endpoint: str, **values: Any) -> Response:
    """Send the browser on after something was done, so that loading again does nothing twice."""
    response = flask.redirect(flask.url_for(f"{NAME}.{endpoint}", **values), SEE_OTHER)
    assert isinstance(response, Response)  # noqa: S101 - the class of our own app
    return response


def form_token() -> str:
    """Return what every form of this session sends along: nobody else's page can know it."""
    return hmac.new(str(g.session_secret).encode(), b"form", "sha256").hexdigest()


@blp.context_processor
def _known_to_templates() -> dict[str, Any]:
    who = g.get("caller")
    today = None if who is None else context().clock().astimezone(who.zone).date()
    sections = {one: name for one, name in SECTIONS.items() if may(f"{NAME}.{one}", who)} if who else {}
    return {"person": who, "form_token": form_token if who else None, "today": today, "sections": sections}


@blp.after_request
def _protect(response: Response) -> Response:
    response.headers["Content-Security-Policy"] = POLICY
    response.headers["Referrer-Policy"] = "same-origin"  # without it a browser does not say which page sent a form
    if request.endpoint != f"{NAME}.static":
        response.headers["Cache-Control"] = "no-store"
    return response


@blp.errorhandler(ServiceError)
def _of_service_error(error: ServiceError) -> Response:
    status, title = status_and_title(error)
    return _fault(status, title, error.message, getattr(error, "errors", ()))


@blp.errorhandler(ForbiddenError)
def _of_forbidden(error: ForbiddenError) -> Response:
    status, title = status_and_title(error)
    who = g.get("caller")
    if not error.roles or who is None:
        return _fault(status, title, error.message)
    title = f"Only for {listed([f'{role}s' for role in error.roles])}"
    detail = (
        f"You are signed in as {who.name}, {listed(sorted(who.roles))}. Who administers the keys can give you another."
    )
    return _fault(status, title, detail)


@blp.errorhandler(HTTPException)
def _of_http_exception(error: HTTPException) -> Any:
    if error.response is not None:
        return error.response
    if error.code == 404:  # noqa: PLR2004 - its name is not found
        return _fault(404, "There is no such page", "It may have been erased, or the address was mistyped.")
    return _fault(error.code or 500, error.name, str(error.description))


def _fault(status: int, title: str, detail: str, faults: tuple[FieldError, ...] = ()) -> Response:
    return page("console/fault.html", status, title=title, detail=detail, faults=faults)
