"""What the service refuses says what is wrong and carries its facts."""

import pytest

from service.domain.errors import (
    INVALID_BATTERY,
    AmbiguousCriteriaSetError,
    BrokenBodyError,
    ConflictError,
    CriteriaFaultsError,
    DatabaseUnavailableError,
    Fault,
    FieldError,
    ForbiddenError,
    InvalidDocumentError,
    KeyReusedError,
    NoCriteriaInForceError,
    NotFoundError,
    ReleasedVersionError,
    ServiceError,
    UnauthenticatedError,
    UnknownCriteriaSetError,
    UnknownStageError,
)

FIELD = FieldError("#/setup", "unknown_name", "there is no such question")
FAULT = Fault("1.yaml", 3, "/criteria", "name a test")

ERRORS: list[tuple[ServiceError, str]] = [
    (BrokenBodyError("too_deep", "at most twelve levels"), "too_deep"),
    (InvalidDocumentError(INVALID_BATTERY, [FIELD]), "invalid_battery"),
    (CriteriaFaultsError([FAULT]), "criteria_faults"),
    (UnknownStageError("moon", ["gate"]), "unknown_stage"),
    (UnknownCriteriaSetError("there is no set moon"), "unknown_criteria_set"),
    (AmbiguousCriteriaSetError("lateral_ankle_sprain", ["one", "two"]), "ambiguous_criteria_set"),
    (ReleasedVersionError("version 1 is released"), "already_released"),
    (NoCriteriaInForceError("none on that day", in_force_from="2026-12-01"), "no_criteria_in_force"),
    (DatabaseUnavailableError("busy"), "database_unavailable"),
    (UnauthenticatedError("send a key"), "unauthenticated"),
    (ForbiddenError("clinicians only", roles=["clinician"]), "forbidden"),
    (NotFoundError("athlete", "KB-0417"), "not_found"),
    (KeyReusedError("key-1"), "key_reused"),
    (ConflictError("ref_taken", "the ref is taken"), "ref_taken"),
]


@pytest.mark.parametrize(("error", "code"), ERRORS, ids=[code for _, code in ERRORS])
def test_each_refusal_has_its_code_and_its_message(error: ServiceError, code: str) -> None:
    assert error.code == code
    assert error.message
    assert str(error) == error.message


def test_every_refusal_is_tested_here() -> None:
    here = {one for one in ServiceError.__subclasses__() if one.__module__ == ServiceError.__module__}
    assert {type(error) for error, _ in ERRORS} == here


@pytest.mark.parametrize(("count", "words"), [(1, "1 fault to mend"), (2, "2 faults to mend")])
def test_faults_of_a_document_are_counted(count: int, words: str) -> None:
    error = InvalidDocumentError(INVALID_BATTERY, [FIELD] * count)
    assert words in error.message
    assert error.errors == (FIELD,) * count


@pytest.mark.parametrize(("count", "words"), [(1, "1 fault in"), (2, "2 faults in")])
def test_faults_of_criteria_files_are_counted(count: int, words: str) -> None:
    error = CriteriaFaultsError([FAULT] * count)
    assert words in error.message
    assert error.faults == (FAULT,) * count


@pytest.mark.parametrize(("stage", "words"), [(None, "no stage was named"), ("moon", "no stage 'moon'")])
def test_a_stage_that_is_not_there_names_those_that_are(stage: str | None, words: str) -> None:
    error = UnknownStageError(stage, ["one", "two"])
    assert words in error.message
    assert error.message.endswith("its stages are one, two")
    assert [one.pointer for one in error.errors] == ["#/target_stage"]


def test_several_sets_that_fit_are_named() -> None:
    error = AmbiguousCriteriaSetError("lateral_ankle_sprain", ["one", "two"])
    assert error.sets == ("one", "two")
    assert "name one of one, two" in error.message
