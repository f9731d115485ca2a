"""One body for every error, from whatever source: problem+json (RFC 9457).

A `ServiceError` leaves by the one table here; so do what HTTP alone knows (`RefusedRequestError`), the errors of the
web framework, and whatever nobody foresaw, of which the client learns nothing but the id that is also in the log.
"""

import logging
import traceback
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, current_app, g, url_for
from werkzeug.exceptions import HTTPException

from service.domain.errors import (
    CriteriaFaultsError,
    DatabaseUnavailableError,
    FieldError,
    ServiceError,
)

PROBLEM_JSON = "application/problem+json"
DOCUMENTATION = "docs.page"

# What the tree of service.domain.errors refuses: a code, its status, its title.
REFUSALS: Mapping[str, tuple[int, str]] = {
    "broken_json": (400, "The body can't be read"),
    "too_large": (413, "The body is too large"),
    "too_deep": (400, "The body is nested too deep"),
    "invalid_battery": (422, "The battery has faults"),
    "invalid_evaluation": (422, "The file of entries has faults"),
    "criteria_faults": (422, "The criteria set has faults"),
    "unknown_stage": (422, "There is no such stage"),
    "unknown_criteria_set": (404, "There is no such criteria set"),
    "ambiguous_criteria_set": (422, "Several criteria sets fit"),
    "already_released": (409, "A released version never changes"),
    "database_unavailable": (503, "The record can't be reached"),
}

# What only HTTP knows.
REQUEST_REFUSALS: Mapping[str, tuple[int, str]] = {
    "bad_request": (400, "The request can't be read"),
    "invalid_body": (422, "The body has faults"),
    "invalid_query": (400, "The address has faults"),
    "idempotency_key_missing": (400, "A header is missing: Idempotency-Key"),
    "idempotency_key_invalid": (400, "A header can't be used: Idempotency-Key"),
    "unauthenticated": (401, "A valid access key is needed"),
    "forbidden": (403, "This access key may not do that"),
    "not_found": (404, "There is nothing here"),
    "method_not_allowed": (405, "The method does not fit the address"),
    "not_acceptable": (406, "The answer can't be given in a form that was asked for"),
    "precondition_failed": (412, "It was changed in the meantime"),
    "unsupported_media_type": (415, "The body is of the wrong type"),
    "precondition_required": (428, "A header is missing: If-Match"),
    "internal_error": (500, "Something went wrong here"),
    "not_ready": (503, "The service is not ready"),
}

PROBLEMS: Mapping[str, tuple[int, str]] = REFUSALS | REQUEST_REFUSALS

_CODE_OF_STATUS = {
    HTTPStatus.NOT_FOUND: "not_found",
    HTTPStatus.METHOD_NOT_ALLOWED: "method_not_allowed",
    HTTPStatus.NOT_ACCEPTABLE: "not_acceptable",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "too_large",
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE: "unsupported_media_type",
    HTTPStatus.SERVICE_UNAVAILABLE: "not_ready",
}
_INTERNAL = "Nothing is known about the cause. Tell the operator this request's id: {request_id}"
_LOG = logging.getLogger("rts.errors")


class RefusedRequestError(ServiceError):
    """A request that is refused for its address, its headers or the form of its body."""

    def __init__(
        self,
        code: str,
        message: str,
        *,
        errors: Sequence[FieldError] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(message)
        self.code = code
        self.errors = tuple(errors)
        self.headers = dict(headers or {})


def answer_errors(app: Flask) -> None:
    """Make every error of the app leave by the one body."""
    app.register_error_handler(ServiceError, _of_service_error)
    app.register_error_handler(HTTPException, _of_http_exception)
    app.register_error_handler(Exception, _of_unforeseen)


def problem(
    code: str,
    detail: str,
    *,
    status: int | None = None,
    errors: Sequence[Mapping[str, Any]] = (),
    facts: Mapping[str, Any] | None = None,
) -> Response:
    """Return the one body; the status is the table's where none is given."""
    usual, title = PROBLEMS[code]
    body = {
        "type": url_for(DOCUMENTATION, _anchor=f"problem-{code}"),
        "title": title,
        "status": status or usual,
        "detail": detail,
        "code": code,
        "request_id": g.request_id,
        "errors": list(errors),
    }
    if facts:
        body["facts"] = facts
    return current_app.response_class(current_app.json.dumps(body) + "\n", status or usual, mimetype=PROBLEM_JSON)


def _of_service_error(error: ServiceError) -> Response:
    if error.code not in PROBLEMS:
        return _of_unforeseen(error)
    response = problem(error.code, error.message, errors=_errors(error), facts=_facts(error))
    if isinstance(error, DatabaseUnavailableError):
        response.headers["Retry-After"] = str(getattr(error, "retry_after", 1))
    if isinstance(error, RefusedRequestError):
        response.headers.update(error.headers)
    return response


def _errors(error: ServiceError) -> list[dict[str, Any]]:
    if isinstance(error, CriteriaFaultsError):
        return [
            {"pointer": f"#{fault.path}", "code": error.code, "detail": fault.detail, "line": fault.line}
            for fault in error.faults
        ]
    return [one._asdict() for one in getattr(error, "errors", ())]


def _facts(error: ServiceError) -> dict[str, Any]:
    """Return the facts of an error that are plain: words, whole numbers, and lists of words."""
    told = {"code", "message", "errors", "headers", "retry_after"}
    facts = {key: value for key, value in vars(error).items() if key not in told and not key.startswith("_")}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in facts.items() if _plain(value)}


def _plain(value: object) -> bool:
    if isinstance(value, tuple):
        return all(isinstance(one, str) for one in value)
    return isinstance(value, str | int)


def _of_http_exception(error: HTTPException) -> Response | HTTPException:
    """Keep the status and the headers of the framework's error, such as Allow; a redirect is none."""
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    if status < HTTPStatus.BAD_REQUEST:
        return error
    if status == HTTPStatus.INTERNAL_SERVER_ERROR:
        return _of_unforeseen(error)
    code = _CODE_OF_STATUS.get(HTTPStatus(status), "bad_request") if status in set(HTTPStatus) else "bad_request"
    response = problem(code, str(error.description or PROBLEMS[code][1]), status=status)
    for name, value in error.get_headers():
        if name.lower() not in {"content-type", "content-length"}:
            response.headers[name] = value
    return response


def _of_unforeseen(error: Exception) -> Response:
    """Tell the client an id and nothing else; the log has where it happened.

    The text of the exception may quote what was sent, and so it is logged only where the operator asks for debugging.
    """
    where = "".join(traceback.format_tb(error.__traceback__))
    _LOG.error("unforeseen %s in request %s\n%s", type(error).__qualname__, g.request_id, where)
    _LOG.debug("unforeseen, with its text", exc_info=error)
    return problem("internal_error", _INTERNAL.format(request_id=g.request_id))
