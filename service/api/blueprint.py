"""The blueprint that every resource is made with: how a route reads and answers, and how both are documented.

    blp = Blueprint("batteries", __name__, url_prefix="/v1/batteries", description="Test batteries of athletes")

    @blp.get("/<id:battery_id>")
    @blp.answers(SentBatterySchema, example=SENT)
    def one(battery_id: str) -> Answer:
        '''Show a battery as it was sent.'''
        return show_battery(context(), caller(), battery_id)

The docstring's first line is the summary of the operation. Its row in `service.api.access.ROLES` says who may call it.
"""

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, ParamSpec, TypeAlias

import flask_smorest
from flask import Response, current_app, request
from marshmallow import Schema

from service.api.reading import IDEMPOTENCY_KEY, QUERY, StrictParser, idempotency_key
from service.use_cases.context import Created

Arguments = ParamSpec("Arguments")
SchemaType: TypeAlias = type[Schema] | Schema
Body: TypeAlias = Mapping[str, Any] | None
Answer: TypeAlias = Body | Response | tuple[Body, Mapping[str, str]]
View: TypeAlias = Callable[Arguments, Any]

REPLAYED = "Idempotency-Replayed"

_KEY_PARAMETER = {
    "in": "header",
    "name": IDEMPOTENCY_KEY,
    "required": True,
    "schema": {"type": "string", "pattern": "^[!-~]{1,128}$"},
    "description": "The same key when the same request is sent again: it is answered again, and not done twice.",
}
_IF_MATCH_PARAMETER = {
    "in": "header",
    "name": "If-Match",
    "required": True,
    "schema": {"type": "string"},
    "description": "The ETag of what was seen, so that nobody else's change is lost; `*` changes whatever is there.",
}
_CREATED_HEADERS = {
    "Location": {"description": "Where it is now", "schema": {"type": "string"}},
    REPLAYED: {"description": "`true` where an earlier request with this key did it", "schema": {"type": "string"}},
}
_ETAG_HEADER = {"ETag": {"description": "Send it as If-Match with a change", "schema": {"type": "string"}}}


class Blueprint(flask_smorest.Blueprint):
    """A resource's routes."""

    ARGUMENTS_PARSER = StrictParser()

    def __init__(self, *names: Any, **settings: Any) -> None:
        super().__init__(*names, **settings)
        self._prepare_doc_cbks.append(_document_headers)

    def arguments(
        self, schema: SchemaType, *, location: str = "json", **settings: Any
    ) -> Callable[[View[...]], View[...]]:
        """Read the body, or with `location="query"` the arguments of the address; the view is given what was loaded."""
        if location == QUERY:
            settings["error_status_code"] = 400
        decorate: Callable[[View[...]], View[...]] = super().arguments(schema, location=location, **settings)
        return decorate

    def answers(
        self, schema: SchemaType | None, *, status: int = 200, has_etag: bool = False, **documented: Any
    ) -> Callable[[View[...]], View[...]]:
        """Answer what the view returns as JSON, as it is; the schema documents it.

        The view returns a dict, None for no content, a dict with headers, or a response of its own.

        Args:
            schema: the shape of the answer.
            status: of the answer.
            has_etag: the view brings an ETag header.
            documented: `example`, `description` and `content_type`, as flask-smorest takes them.
        """
        if has_etag:
            documented["headers"] = documented.get("headers", {}) | _ETAG_HEADER
        document = super().response(status, schema, **documented)

        def decorate(view: View[...]) -> View[...]:
            @wraps(view)
            def answered(*given: Any, **named: Any) -> Response:
                return _response(view(*given, **named), status)

            documented_view: View[...] = document(answered)
            return documented_view

        return decorate

    def creates(
        self, schema: SchemaType, *, at: Callable[[Created], str], **documented: Any
    ) -> Callable[[View[...]], View[...]]:
        """Answer 201 with what the view returns as `Created`, also where an earlier request had created it.

        Where all of it was so before, which only some views can find, the answer is 200.

        Args:
            schema: the shape of the answer.
            at: returns the address of what was created, for Location.
            documented: `has_etag`, `example` and `description`, as `answers` takes them.
        """
        documents = self.answers(schema, status=201, headers=_CREATED_HEADERS, **documented)

        def decorate(view: View[...]) -> View[...]:
            @wraps(view)
            def created(*given: Any, **named: Any) -> Answer:
                idempotency_key()  # without one nothing is read
                done: Created = view(*given, **named)
                headers = {"Location": at(done)} | ({REPLAYED: "true"} if done.replayed else {})
                headers |= etag(done.etag) if done.etag is not None else {}
                return (done.answer, headers) if done.is_new else _response((done.answer, headers), 200)

            return _with_parameter(documents(created), _KEY_PARAMETER)

        return decorate

    @staticmethod
    def needs_if_match(view: View[...]) -> View[...]:
        """Document that a change needs If-Match; the view hands the current ETag to `reading.require_if_match`."""
        return _with_parameter(view, _IF_MATCH_PARAMETER)


def etag(tag: str) -> dict[str, str]:
    """Return the header that names a state of something, to go with an answer."""
    return {"ETag": f'"{tag}"'}


def _response(answer: Answer, status: int) -> Response:
    if isinstance(answer, Response):
        return answer
    body, headers = answer if isinstance(answer, tuple) else (answer, {})
    text = "" if body is None else current_app.json.dumps(body) + "\n"
    response = current_app.response_class(text, status, headers, mimetype="application/json")
    if body is None:
        del response.headers["Content-Type"]
    if "ETag" in response.headers:
        response.make_conditional(request)
    return response


def _with_parameter(view: View[...], parameter: Mapping[str, Any]) -> View[...]:
    known = getattr(view, "_apidoc", {})
    headers = [*known.get("headers", ()), parameter]
    view._apidoc = known | {"headers": headers}  # type: ignore[attr-defined] # noqa: SLF001  # where flask-smorest looks
    return view


def _document_headers(doc: dict[str, Any], doc_info: Mapping[str, Any], **_: object) -> dict[str, Any]:
    if "headers" in doc_info:
        doc["parameters"] = [*doc.get("parameters", ()), *doc_info["headers"]]
    return doc
