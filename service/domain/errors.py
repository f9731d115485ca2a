"""What the service refuses, and why.

ServiceError                     code, message; facts as attributes
├── BrokenBodyError              broken_json, too_large, too_deep: the body can't be read at all
├── InvalidDocumentError         invalid_battery, invalid_evaluation, invalid_body: faults by JSON pointer
├── CriteriaFaultsError          criteria_faults: faults of criteria files by file, line and path
├── UnknownStageError            unknown_stage: names the stages of the set
├── UnknownCriteriaSetError      unknown_criteria_set: no such set or version
├── AmbiguousCriteriaSetError    ambiguous_criteria_set: several sets fit the condition
├── ReleasedVersionError         already_released: a released version never changes
├── NoCriteriaInForceError       no_criteria_in_force: the organisation has no version that judges on that day
├── DatabaseUnavailableError     database_unavailable: busy, gone or not migrated; ask again
├── UnauthenticatedError         unauthenticated: no key, or one that is not valid
├── ForbiddenError               forbidden: the key's roles do not allow this
├── NotFoundError                not_found: nothing of that id in this organisation
├── KeyReusedError               key_reused: an Idempotency-Key used before for something else
└── ConflictError                ref_taken, already_measured, conflicts, version_not_in_force, not_standing,
                                 task_closed, erased...: what is on record stands against it
"""

from collections.abc import Sequence
from typing import NamedTuple

TARGET_STAGE = "#/target_stage"
INVALID_BATTERY, INVALID_EVALUATION, INVALID_BODY = "invalid_battery", "invalid_evaluation", "invalid_body"


class FieldError(NamedTuple):
    """One fault of a JSON document: where (RFC 6901 pointer with `#`), a closed code, what mends it."""

    pointer: str
    code: str
    detail: str


class Fault(NamedTuple):
    """One fault of a criteria file: the file, its line (from 1), the path inside it, what mends it."""

    file: str
    line: int
    path: str
    detail: str


class ServiceError(Exception):
    """Something that the caller can mend; the message says how."""

    code = "service_error"

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class BrokenBodyError(ServiceError):
    """The body is no JSON that this service reads: `code` is broken_json, too_large or too_deep."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code


class InvalidDocumentError(ServiceError):
    """A document with faults; all of them are in `errors`, and nothing was done."""

    def __init__(self, code: str, errors: Sequence[FieldError]) -> None:
        super().__init__(f"{len(errors)} {'fault' if len(errors) == 1 else 'faults'} to mend; nothing was done")
        self.code = code
        self.errors = tuple(errors)


class CriteriaFaultsError(ServiceError):
    """Criteria files with faults; all of them are in `faults`, and the check's doubts in `warnings`."""

    code = "criteria_faults"

    def __init__(self, faults: Sequence[Fault], *, warnings: Sequence[Fault] = ()) -> None:
        super().__init__(f"{len(faults)} {'fault' if len(faults) == 1 else 'faults'} in the criteria files")
        self.faults = tuple(faults)
        self.warnings = tuple(warnings)


class UnknownStageError(ServiceError):
    """No stage was named, or the set has none of that name."""

    code = "unknown_stage"

    def __init__(self, stage: str | None, stages: Sequence[str], *, pointer: str = TARGET_STAGE) -> None:
        asked = "no stage was named" if stage is None else f"the criteria set has no stage {stage!r}"
        super().__init__(f"{asked}; its stages are {', '.join(stages)}")
        self.stages = tuple(stages)
        self.errors = (FieldError(pointer, "missing" if stage is None else "unknown_name", self.message),)


class UnknownCriteriaSetError(ServiceError):
    """No criteria set fits what was asked."""

    code = "unknown_criteria_set"


class AmbiguousCriteriaSetError(ServiceError):
    """Several criteria sets fit the condition and none was named."""

    code = "ambiguous_criteria_set"

    def __init__(self, condition: str, sets: Sequence[str]) -> None:
        super().__init__(f"several criteria sets fit {condition}; name one of {', '.join(sets)}")
        self.sets = tuple(sets)


class ReleasedVersionError(ServiceError):
    """The version is released with other content; give the change the next number."""

    code = "already_released"


class NoCriteriaInForceError(ServiceError):
    """No version judges on that day; `in_force_from` is the first later day on which one does (ISO 8601), if any.

    `pointer` is what the sender can mend, where something is.
    """

    code = "no_criteria_in_force"

    def __init__(self, message: str, *, in_force_from: str | None = None, pointer: str | None = None) -> None:
        super().__init__(message)
        self.in_force_from = in_force_from
        self.errors = () if pointer is None else (FieldError(pointer, "conflicts", message),)


class DatabaseUnavailableError(ServiceError):
    """The database is busy, gone or not migrated; what was asked can be asked again."""

    code = "database_unavailable"


class UnauthenticatedError(ServiceError):
    """There is no key, or it is wrong, expired or revoked; which of these is not told."""

    code = "unauthenticated"


class ForbiddenError(ServiceError):
    """The key is valid and its roles do not allow this; `roles` are those that would."""

    code = "forbidden"

    def __init__(self, message: str, *, roles: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.roles = tuple(roles)


class NotFoundError(ServiceError):
    """There is nothing of that id in the caller's organisation."""

    code = "not_found"

    def __init__(self, what: str, name: str) -> None:
        super().__init__(f"there is no {what} {name!r} in this organisation")


class KeyReusedError(ServiceError):
    """The Idempotency-Key was used before for another route or another body."""

    code = "key_reused"

    def __init__(self, key: str) -> None:
        super().__init__(
            f"the Idempotency-Key {key!r} was used for another request; send a new key, or the same body again"
        )


class ConflictError(ServiceError):
    """What is on record stands against it; `code` says how, `errors` where, `link` leads to what stands in the way."""

    def __init__(self, code: str, message: str, *, errors: Sequence[FieldError] = (), link: str | None = None) -> None:
        super().__init__(message)
        self.code = code
        self.errors = tuple(errors)
        self.link = link
