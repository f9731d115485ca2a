"""What is refused, for people on standard error and for programs as a problem on standard output."""

import json
from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from marshmallow import Schema

from schemas.faults import load, pointer
from service.cli.layout import printable
from service.cli.outcomes import BAD_INPUT, Said
from service.domain.errors import ConflictError, CriteriaFaultsError, FieldError, InvalidDocumentError, ServiceError

TITLES = {
    "broken_json": "The file can't be read as JSON",
    "too_large": "The file is too large",
    "too_deep": "The file is nested too deeply",
    "invalid_battery": "The battery has faults",
    "invalid_evaluation": "The file of entries has faults",
    "invalid_option": "An option can't be used",
    "unreadable_file": "The file can't be used",
    "criteria_faults": "The criteria files have faults",
    "unknown_stage": "The stage is not known",
    "unknown_criteria_set": "The criteria set is not known",
    "ambiguous_criteria_set": "Several criteria sets fit",
    "already_released": "A released version never changes",
    "database_unavailable": "The database can't be used",
    "invalid_body": "What was given can't be used",
    "invalid_setting": "A setting can't be used",
    "unauthenticated": "A valid access key is needed",
    "forbidden": "This may not be done",
    "not_found": "It is not there",
    "key_reused": "The request's key was used before",
    "no_criteria_in_force": "No criteria version is in force",
}
CONFLICT = "What is on record stands against it"
"""The title of every conflict: each has a code of its own."""


class UnreadableFileError(ServiceError):
    """The file is not there, is a folder, or can't be opened."""

    code = "unreadable_file"


def invalid_option(detail: str, *, option: str, code: str) -> InvalidDocumentError:
    """Return the refusal of an option's value."""
    return InvalidDocumentError("invalid_option", [FieldError(option, code, detail)])


def known_id(text: str, *, shown_by: str, option: str = "ID") -> str:
    """Return an id of ours, in small letters.

    Raises:
        InvalidDocumentError: invalid_option: it is no id; `shown_by` says where there are some.
    """
    try:
        return str(UUID(text))
    except ValueError:
        detail = f"{text!r} is no id; {shown_by} shows them"
        raise invalid_option(detail, option=option, code="bad_text") from None


def loaded(schema: Schema, given: Mapping[str, Any], options: Mapping[str, str]) -> Any:
    """Return what was given as a schema loads it; what is None was not given.

    Raises:
        InvalidDocumentError: invalid_option: every fault, at the option that `options` names for the field.
    """
    document, faults = load(schema, {key: one for key, one in given.items() if one is not None})
    if faults:
        raise option_faults([FieldError(pointer(one.path), one.code, one.detail) for one in faults], options)
    return document


def option_faults(faults: Iterable[FieldError], options: Mapping[str, str]) -> InvalidDocumentError:
    """Return the refusal of a document that was made from options; `options` has the option of each field."""
    return InvalidDocumentError("invalid_option", at_options(faults, options))


def at_options(faults: Iterable[FieldError], options: Mapping[str, str]) -> list[FieldError]:
    """Return faults of a document that was made from options, each at the option of its field."""
    return [one._replace(pointer=options.get(one.pointer.split("/")[1], one.pointer)) for one in faults]


def refused(error: ServiceError, *, as_json: bool = False) -> Said:
    """Return what is said of bad input."""
    if as_json:
        return Said(BAD_INPUT, json.dumps(_problem(error), ensure_ascii=False, indent=2) + "\n")
    lines = [f"rts-service: {_title(error)}: {error.message}", *_faults(error)]
    return Said(BAD_INPUT, err=as_lines(lines))


def _title(error: ServiceError) -> str:
    return CONFLICT if isinstance(error, ConflictError) else TITLES[error.code]


def as_lines(texts: Iterable[str]) -> str:
    r"""Return texts as a line each: a line break that a sender wrote is written out as \n."""
    return "".join(printable(text).replace("\n", r"\n") + "\n" for text in texts)


def _faults(error: ServiceError) -> list[str]:
    if isinstance(error, InvalidDocumentError | ConflictError):
        return [f"  {one.pointer}  {one.code}: {one.detail}" for one in error.errors]
    if isinstance(error, CriteriaFaultsError):
        return [f"  {one.file}:{one.line} {one.path}: {one.detail}" for one in error.faults]
    return []


def _problem(error: ServiceError) -> dict[str, Any]:
    problem: dict[str, Any] = {"title": _title(error), "code": error.code, "detail": error.message, "errors": []}
    if isinstance(error, InvalidDocumentError | ConflictError):
        problem["errors"] = [one._asdict() for one in error.errors]
    if isinstance(error, CriteriaFaultsError):
        problem["errors"] = [
            {"pointer": f"{one.file}:{one.line} {one.path}", "code": error.code, "detail": one.detail}
            for one in error.faults
        ]
    return problem
