"""What a request says, read strictly: its body, the arguments of its address, the headers that matter.

The type of a body is checked before the body is read; a body is read by `schemas.strict_json`; every fault is told at
once, with its place.
"""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, NoReturn
from urllib.parse import unquote_to_bytes

from flask import Flask, Request, g, request
from marshmallow import Schema
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import NotFound
from werkzeug.routing import BaseConverter

from schemas.faults import ShapeFault, pointer
from schemas.faults import load as load_shape
from schemas.strict_json import BrokenJsonError, load, read
from service.api.problems import (
    INVALID_QUERY,
    KEY_INVALID,
    KEY_MISSING,
    PRECONDITION_FAILED,
    PRECONDITION_REQUIRED,
    UNSUPPORTED_MEDIA_TYPE,
    RefusedRequestError,
)
from service.domain.errors import INVALID_BODY, BrokenBodyError, FieldError, InvalidDocumentError

QUERY, BODY = "query", "json"
IDEMPOTENCY_KEY = "Idempotency-Key"

_JSON = re.compile(r"application/(json|[a-z0-9!#$&^_.+-]+\+json)", re.ASCII)
_KEY = re.compile(r"[\x21-\x7e]{1,128}", re.ASCII)
_UNREADABLE = re.compile("[\x00-\x1f\x7f\ufffd\ud800-\udfff]")
# A weak tag (W/"...") names no state exactly, and is left out.
_TAG = re.compile(r'(?:^|,)\s*("[\x21\x23-\x7e]*")', re.ASCII)


class StrictParser(FlaskParser):
    """Reads a body or the arguments of an address as its schema says; a schema names its problem by `problem`."""

    def parse(self, argmap: Any, req: Request | None = None, *, location: str | None = None, **_: Any) -> Any:
        """Return what was sent as the schema loads it.

        Raises:
            RefusedRequestError: the wrong type of body; faults of the address.
            BrokenBodyError: a body that can't be read.
            InvalidDocumentError: every fault of the body.
        """
        schema = _instance(argmap)
        return _query(schema, req or request) if location == QUERY else _document(schema)


class IdConverter(BaseConverter):
    """An id of ours in an address: a UUID, handed on as text in small letters."""

    regex = r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}"

    def to_python(self, value: str) -> str:
        """Return the one text of the id."""
        return value.lower()


def sent_body() -> bytes:
    """Return the body as it was sent, once its type is known to be JSON.

    Raises:
        RefusedRequestError: unsupported_media_type.
    """
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    if not _JSON.fullmatch(request.mimetype) or charset not in {"utf-8", "utf8"}:
        _refuse_type(f"send a body of application/json in UTF-8, not of {request.content_type or 'no type'}")
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        _refuse_type("send the body as it is, without a Content-Encoding")
    return request.get_data()


def idempotency_key() -> str:
    """Return the key by which a request that is sent again is known.

    Raises:
        RefusedRequestError: it is missing, or none that can be kept.
    """
    key = request.headers.get(IDEMPOTENCY_KEY, "")
    if not key:
        message = "send an Idempotency-Key, the same when the same request is sent again: a UUID, or your own id of it"
        raise RefusedRequestError(KEY_MISSING, message)
    if not _KEY.fullmatch(key):
        message = "an Idempotency-Key has 1 to 128 visible ASCII characters and no space"
        raise RefusedRequestError(KEY_INVALID, message)
    return key


def require_if_match(current: str) -> str | None:
    """Refuse a change of something that its sender has not seen as it is now.

    Args:
        current: its etag, without quotes.

    Returns:
        The etag that it must still have when it is changed, None where the sender wrote `*`: whatever it is by then.

    Raises:
        RefusedRequestError: precondition_required, precondition_failed.
    """
    sent = request.headers.get("If-Match", "").strip()
    if not sent:
        message = "send If-Match with the ETag that you were given, so that nobody else's change is lost"
        raise RefusedRequestError(PRECONDITION_REQUIRED, message)
    if sent != "*" and f'"{current}"' not in _TAG.findall(sent):
        message = "it is no longer as you saw it; get it again, make your change on that, and send its ETag"
        raise RefusedRequestError(PRECONDITION_FAILED, message, headers={"ETag": f'"{current}"'})
    return None if sent == "*" else current


@cache
def _instance(argmap: Any) -> Schema:
    """Return a schema; making one takes longer than loading with it."""
    schema: Schema = argmap() if isinstance(argmap, type) else argmap
    return schema


def _document(schema: Schema) -> Any:
    try:
        document, found = read(sent_body())
    except BrokenJsonError as error:
        raise BrokenBodyError(error.code, error.message) from None
    g.sent_document = document  # so that a fault is told where its sender wrote it
    loaded, faults = load(schema, document, found=found)
    if faults:
        code = getattr(schema, "problem", INVALID_BODY)
        raise InvalidDocumentError(code, [FieldError(pointer(one.path), one.code, one.detail) for one in faults])
    return loaded


def _query(schema: Schema, asked: Request) -> Any:
    refuse_arguments(_unreadable_arguments(asked))
    loaded, faults = load_shape(schema, asked.args.to_dict())
    refuse_arguments(_argument_fault(fault) for fault in faults)
    return loaded


def _unreadable_arguments(asked: Request) -> Iterator[FieldError]:
    """Look at the address as it was sent: Flask leaves what is no UTF-8 as it stands, as if it were meant."""
    seen: set[bytes] = set()
    for part in filter(None, asked.query_string.split(b"&")):
        name, _, value = (unquote_to_bytes(one.replace(b"+", b" ")) for one in part.partition(b"="))
        if name in seen:
            yield argument_fault(_readable(name), "duplicate", "this argument was sent twice; send it once")
        elif _UNREADABLE.search(_readable(name + b"=" + value)):
            detail = "this is no readable text; send UTF-8, percent-encoded"
            yield argument_fault(_readable(name), "bad_text", detail)
        seen.add(name)


def _readable(sent: bytes) -> str:
    return sent.decode(errors="replace")


def _argument_fault(fault: ShapeFault) -> FieldError:
    return argument_fault(".".join(map(str, fault.path)), fault.code, fault.detail)


def argument_fault(name: str, code: str, detail: str) -> FieldError:
    """Return a fault of one argument of the address."""
    return FieldError(f"?{_UNREADABLE.sub('', name)}", code, detail)


def refuse_arguments(faults: Iterable[FieldError]) -> None:
    """Refuse the address if there is a fault.

    Raises:
        RefusedRequestError: invalid_query.
    """
    errors = tuple(faults)
    if errors:
        count = f"{len(errors)} {'argument' if len(errors) == 1 else 'arguments'}"
        raise RefusedRequestError(INVALID_QUERY, f"{count} of the address can't be used", errors=errors)


@contextmanager
def faults_at_arguments() -> Iterator[None]:
    """Name what a use case refuses of the arguments of an address by its argument.

    Raises:
        RefusedRequestError: invalid_query.
    """
    try:
        yield
    except InvalidDocumentError as error:
        refuse_arguments(argument_fault(one.pointer.removeprefix("#/"), one.code, one.detail) for one in error.errors)


def refuse_arguments_not_read(app: Flask) -> None:
    """Refuse arguments of an address whose route reads none: a filter that is not heard would mislead."""

    @app.before_request
    def refuse() -> None:
        _refuse_nul()
        documented = getattr(app.view_functions.get(request.endpoint or ""), "_apidoc", None)
        if documented is None or not request.args:
            return
        parameters = documented.get("arguments", {}).get("parameters", ())
        if not any(one["in"] == QUERY for one in parameters):
            detail = "this address takes no arguments"
            refuse_arguments(argument_fault(name, "unknown_field", detail) for name in request.args)


def _refuse_nul() -> None:
    """Refuse U+0000 in an address: no database here keeps it, so nothing has it."""
    if "\0" in request.path:
        raise NotFound
    detail = "take U+0000 out of this"
    faulty = [name for name in request.args if any("\0" in text for text in (name, *request.args.getlist(name)))]
    if faulty:
        refuse_arguments(argument_fault(name.replace("\0", ""), "bad_text", detail) for name in faulty)


def _refuse_type(message: str) -> NoReturn:
    headers = {"Accept": "application/json"}
    raise RefusedRequestError(UNSUPPORTED_MEDIA_TYPE, message, headers=headers)
