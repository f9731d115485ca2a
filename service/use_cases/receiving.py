"""A body as it is sent to be judged, read into a file of entries, or every fault of its shape."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from schemas.battery import BatterySchema
from schemas.entries import EvaluationSchema, looks_like_entries
from schemas.faults import ShapeFault, pointer
from schemas.measurements import sent_place
from schemas.strict_json import BrokenJsonError, load, read
from service.domain.errors import (
    INVALID_BATTERY,
    INVALID_EVALUATION,
    BrokenBodyError,
    FieldError,
    InvalidDocumentError,
)
from service.use_cases.evaluate import as_file

_BATTERY_OF_FILE = "#/entries/0/battery"


@dataclass(frozen=True, slots=True)
class Received:
    """What is to be judged: a file of entries, whether it came as the body of one battery, and the document sent."""

    file: Mapping[str, Any]
    is_battery: bool
    document: Mapping[str, Any]

    def as_sent(self, error: InvalidDocumentError) -> InvalidDocumentError:
        """Return the faults of the file at the places where the sender wrote them."""
        errors = [one._replace(pointer=self.sent_place(one.pointer)) for one in error.errors]
        return InvalidDocumentError(INVALID_BATTERY if self.is_battery else error.code, errors)

    def sent_place(self, where: str) -> str:
        """Return a place of the file as the sender wrote it."""
        if self.is_battery:
            where = where.replace(_BATTERY_OF_FILE, "#", 1)
        return sent_place(where, self.document)


def receive(body: bytes) -> Received:
    """Return a body as a file of entries; one battery becomes a file of one entry.

    Raises:
        BrokenBodyError: no JSON, too large or too deep.
        InvalidDocumentError: every fault of its shape; one battery that is no assessment.
    """
    try:
        document, found = read(body)
    except BrokenJsonError as error:
        raise BrokenBodyError(error.code, error.message) from None
    is_battery = not looks_like_entries(document)
    loaded, faults = load(BatterySchema() if is_battery else EvaluationSchema(), document, found=found)
    if faults:
        code = INVALID_BATTERY if is_battery else INVALID_EVALUATION
        raise InvalidDocumentError(code, [_field_error(fault, document) for fault in faults])
    return Received(as_file(loaded) if is_battery else loaded, is_battery, document)


def _field_error(fault: ShapeFault, document: object) -> FieldError:
    if not fault.path and isinstance(document, list):
        detail = "a list is no battery; send one battery, or one athlete's file of entries"
        return FieldError("#", fault.code, detail)
    return FieldError(pointer(fault.path), fault.code, fault.detail)
