"""One body for every error, from whatever source: problem+json (RFC 9457).

A `ServiceError` leaves by the one table here; so do what HTTP alone knows (`RefusedRequestError`), the errors of the
web framework, and whatever nobody foresaw, of which the client learns nothing but the id that is also in the log.
"""

import json
import logging
import traceback
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from flask import Flask, Response, current_app, g, request, url_for
from werkzeug.exceptions import HTTPException, MethodNotAllowed, NotFound, RequestEntityTooLarge

from schemas.measurements import sent_place
from service.domain.errors import (
    ConflictError,
    CriteriaFaultsError,
    DatabaseUnavailableError,
    FieldError,
    InvalidDocumentError,
    ServiceError,
    UnauthenticatedError,
)

PROBLEM_JSON = "application/problem+json"
DOCUMENTATION = "docs.page"

BAD_REQUEST, INVALID_QUERY = "bad_request", "invalid_query"
KEY_MISSING, KEY_INVALID = "idempotency_key_missing", "idempotency_key_invalid"
METHOD_NOT_ALLOWED, NOT_ACCEPTABLE = "method_not_allowed", "not_acceptable"
UNSUPPORTED_MEDIA_TYPE = "unsupported_media_type"
PRECONDITION_REQUIRED, PRECONDITION_FAILED = "precondition_required", "precondition_failed"
INTERNAL_ERROR, NOT_READY = "internal_error", "not_ready"

Problems = dict[str, tuple[int, str]]

# What the tree of service.domain.errors refuses: a code, its status, its title.
REFUSALS: Problems = {
    "broken_json": (400, "The body can't be read"),
    "too_large": (413, "The body is too large"),
    "too_deep": (400, "The body is nested too deep"),
    "invalid_battery": (422, "The battery has faults"),
    "invalid_evaluation": (422, "The file of entries has faults"),
    "invalid_body": (422, "The body has faults"),
    "criteria_faults": (422, "The criteria set has faults"),
    "unknown_athlete": (422, "There is no such athlete"),
    "unknown_episode": (422, "There is no such episode"),
    "unknown_stage": (422, "There is no such stage"),
    "unknown_criteria_set": (422, "There is no such criteria set or version"),
    "ambiguous_criteria_set": (422, "Several criteria sets fit"),
    "no_criteria_in_force": (422, "No criteria were in force on that day"),
    "already_released": (409, "A released version never changes"),
    "database_unavailable": (503, "The record can't be reached"),
    "unauthenticated": (401, "A valid access key is needed"),
    "forbidden": (403, "This access key may not do that"),
    "not_found": (404, "There is nothing here"),
    "key_reused": (422, "The Idempotency-Key was used for something else"),
    "ref_taken": (409, "The ref is taken"),
    "already_measured": (409, "It was measured on this occasion already"),
    "conflicts": (409, "It conflicts with what is on record"),
    "version_not_in_force": (409, "Another version is in force"),
    "task_closed": (409, "The task is closed"),
    "not_put_off": (409, "A review of an override stays"),
    "episode_closed": (409, "The episode is closed"),
    "closes_by_itself": (409, "This task closes by itself"),
    "not_standing": (409, "The decision does not stand any more"),
    "digest_differs": (409, "The decision is not the one that was seen"),
    "already_retired": (409, "The version is retired already"),
    "erased": (409, "The athlete's record was erased"),
    "reserved_id": (409, "The id is reserved for sets that ship with the service"),
    "operator_stays": (409, "The operator can't be disabled"),
    "last_administrator_key": (409, "Nobody could administer the organisation any more"),
}

# What only HTTP knows.
REQUEST_REFUSALS: Problems = {
    BAD_REQUEST: (400, "The request can't be read"),
    INVALID_QUERY: (400, "The address has faults"),
    KEY_MISSING: (400, "A header is missing: Idempotency-Key"),
    KEY_INVALID: (400, "A header can't be used: Idempotency-Key"),
    METHOD_NOT_ALLOWED: (405, "The method does not fit the address"),
    NOT_ACCEPTABLE: (406, "The answer can't be given in a form that was asked for"),
    PRECONDITION_FAILED: (412, "It was changed in the meantime"),
    UNSUPPORTED_MEDIA_TYPE: (415, "The body is of the wrong type"),
    PRECONDITION_REQUIRED: (428, "A header is missing: If-Match"),
    INTERNAL_ERROR: (500, "Something went wrong here"),
    NOT_READY: (503, "The service is not ready"),
}

PROBLEMS: Problems = REFUSALS | REQUEST_REFUSALS

# A refusal whose code has no row above (a test looks for them) is still no fault of ours.
_FAMILIES: tuple[tuple[type[ServiceError], tuple[int, str]], ...] = (
    (ConflictError, PROBLEMS["conflicts"]),
    (InvalidDocumentError, PROBLEMS["invalid_body"]),
)

_CODE_OF_STATUS: Mapping[int, str] = {
    401: "unauthenticated",
    403: "forbidden",
    404: "not_found",
    405: METHOD_NOT_ALLOWED,
    406: NOT_ACCEPTABLE,
    412: PRECONDITION_FAILED,
    413: "too_large",
    415: UNSUPPORTED_MEDIA_TYPE,
    428: PRECONDITION_REQUIRED,
    503: NOT_READY,
}
_CHALLENGE = 'Bearer realm="rts"'
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
    row: tuple[int, str] | None = None,
    errors: Sequence[Mapping[str, Any]] = (),
    facts: Mapping[str, Any] | None = None,
) -> Response:
    """Return the one body; status and title are those of the code where no row is given."""
    status, title = row or PROBLEMS[code]
    body = {
        "type": url_for(DOCUMENTATION, _anchor=f"problem-{code}"),
        "title": title,
        "status": status,
        "detail": detail,
        "code": code,
        "request_id": g.request_id,
        "errors": list(errors),
    }
    if facts:
        body["facts"] = facts
    return current_app.response_class(current_app.json.dumps(body) + "\n", status, mimetype=PROBLEM_JSON)


def status_and_title(error: ServiceError) -> tuple[int, str]:
    """Return the status and the title of an error; one without a row is a fault of ours."""
    return _row(error) or PROBLEMS[INTERNAL_ERROR]


def _row(error: ServiceError) -> tuple[int, str] | None:
    return PROBLEMS.get(error.code) or next((row for family, row in _FAMILIES if isinstance(error, family)), None)


def _of_service_error(error: ServiceError) -> Response:
    row = _row(error)
    if row is None:
        return _of_unforeseen(error)
    response = problem(error.code, error.message, row=row, errors=_errors(error), facts=_facts(error))
    response.headers.update(_headers(error))
    return response


def _headers(error: ServiceError) -> dict[str, str]:
    """Return the headers that HTTP wants beside the body."""
    match error:
        case RefusedRequestError():
            return error.headers
        case DatabaseUnavailableError():
            return {"Retry-After": str(getattr(error, "retry_after", 1))}
        case UnauthenticatedError():
            was_sent = "Authorization" in request.headers
            return {"WWW-Authenticate": _CHALLENGE + (', error="invalid_token"' if was_sent else "")}
        case ConflictError(link=str(link)):
            return {"Link": f'<{request.script_root}{link}>; rel="related"'}
        case _:
            return {}


def _errors(error: ServiceError) -> list[dict[str, Any]]:
    if isinstance(error, CriteriaFaultsError):
        return [
            {
                "pointer": fault.path,
                "code": error.code,
                "detail": fault.detail,
                "file": fault.file,
                "line": fault.line,
            }
            for fault in error.faults
        ]
    sent = g.get("sent_document")
    return [one._replace(pointer=sent_place(one.pointer, sent))._asdict() for one in getattr(error, "errors", ())]


def _facts(error: ServiceError) -> dict[str, Any]:
    """Return the facts of an error that are plain: words, whole numbers, and lists of words."""
    told = {"code", "message", "errors", "headers", "retry_after"}
    facts = {key: value for key, value in vars(error).items() if key not in told and not key.startswith("_")}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in facts.items() if _plain(value)}


def _plain(value: object) -> bool:
    if isinstance(value, tuple):
        return all(isinstance(one, str) for one in value)
    return isinstance(value, str | int)


def _of_http_exception(error: HTTPException) -> Response:
    """Keep the status and the headers of the framework's error, such as Allow; Flask hands over no redirect."""
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    if status == HTTPStatus.INTERNAL_SERVER_ERROR:
        return _of_unforeseen(error)
    code = _CODE_OF_STATUS.get(status, BAD_REQUEST if status < HTTPStatus.INTERNAL_SERVER_ERROR else INTERNAL_ERROR)
    _, title = PROBLEMS[code]
    response = problem(code, _worded(error) or str(error.description or title), row=(status, title))
    for name, value in error.get_headers():
        if name.lower() not in {"content-type", "content-length"}:
            response.headers[name] = value
    return response


def _worded(error: HTTPException) -> str | None:
    """Return our own words for the framework's commonest errors: what there is instead."""
    if isinstance(error, NotFound):
        return "there is nothing at this address; /docs lists what there is"
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        return f"this address takes {', '.join(sorted(error.valid_methods))}"
    if isinstance(error, RequestEntityTooLarge):
        return f"a body has at most {current_app.config['MAX_CONTENT_LENGTH']:,} bytes; send less at once"
    return None


def _of_unforeseen(error: Exception) -> Response:
    """Tell the client an id and nothing else; the log has where it happened.

    The text of the exception may quote what was sent, and so it is logged only where the operator asks for debugging.
    """
    told = {"request_id": g.request_id, "exception": type(error).__qualname__}
    _LOG.error(json.dumps(told | {"traceback": traceback.format_tb(error.__traceback__)}))
    _LOG.debug(json.dumps(told | {"text": str(error)}))
    return problem(INTERNAL_ERROR, _INTERNAL.format(request_id=g.request_id))
