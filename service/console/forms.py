"""Forms that add to the record: what was typed as the body that the API takes, and what was refused of it."""

import re
from collections.abc import Iterable, Mapping
from typing import Any
from uuid import uuid4

from flask import request
from marshmallow import Schema

from schemas.faults import load, pointer
from service.domain.errors import (
    INVALID_BODY,
    AmbiguousCriteriaSetError,
    ConflictError,
    FieldError,
    InvalidDocumentError,
    KeyReusedError,
    NoCriteriaInForceError,
    ServiceError,
    UnknownStageError,
)

REFUSED = (
    InvalidDocumentError,
    ConflictError,
    KeyReusedError,
    NoCriteriaInForceError,
    AmbiguousCriteriaSetError,
    UnknownStageError,
)
"""What a form can be refused for: it is shown again."""

KEY = "idempotency_key"
_KEY = re.compile(r"[0-9a-f]{32}", re.ASCII)
_WHOLE = re.compile(r"-?[0-9]{1,9}", re.ASCII)
_NO_KEY = "What is sent was not opened here. Open the page again and send the form from there."


def new_key() -> str:
    """Return what makes a form of its own: sent twice, it is done once."""
    return uuid4().hex


def key() -> str:
    """Return the key that the form was made with.

    Raises:
        InvalidDocumentError: it has none of ours.
    """
    sent = request.form.get(KEY, "")
    if not _KEY.fullmatch(sent):
        raise InvalidDocumentError(INVALID_BODY, [FieldError("", "missing", _NO_KEY)])
    return sent


def typed(*names: str) -> dict[str, Any]:
    """Return the fields of these names that have something in them."""
    return {name: request.form[name].strip() for name in names if request.form.get(name, "").strip()}


def whole(text: str) -> int | str:
    """Return a whole number where one was typed, else what was typed, for the schema to refuse.

    >>> whole(" 12 "), whole("-1"), whole("1.5")
    (12, -1, '1.5')
    """
    said = text.strip()
    return int(said) if _WHOLE.fullmatch(said) else said


def loaded(schema: Schema, body: Mapping[str, Any]) -> Any:
    """Return a body as a route of the API loads it.

    Raises:
        InvalidDocumentError: something is missing or can't be read.
    """
    document, faults = load(schema, dict(body))
    if faults:
        found = [FieldError(pointer(one.path), one.code, one.detail) for one in faults]
        raise InvalidDocumentError(INVALID_BODY, found)
    return document


def wrong_of(faults: Iterable[FieldError], places: Mapping[str, str]) -> dict[str, str]:
    """Return what is wrong with each field, the first of several; `places` names the field of each place."""
    wrong: dict[str, str] = {}
    for one in faults:
        if one.pointer in places:
            wrong.setdefault(places[one.pointer], one.detail)
    return wrong


def labelled(faults: Iterable[FieldError], labels: Mapping[str, str]) -> tuple[FieldError, ...]:
    """Return faults that begin with what their field is called on the page."""
    return tuple(
        FieldError(one.pointer, one.code, f"{labels[one.pointer]}: {one.detail}") if one.pointer in labels else one
        for one in faults
    )


def faults_of(error: ServiceError) -> tuple[FieldError, ...]:
    """Return what is to be mended; an error that names no field says it as a whole."""
    return tuple(getattr(error, "errors", ())) or (FieldError("", error.code, error.message),)
