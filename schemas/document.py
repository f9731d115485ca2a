"""What all schemas share: plain dicts out, unknown fields refused by name, nulls never an answer."""

from collections.abc import Iterable
from difflib import get_close_matches
from functools import lru_cache
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields

MESSAGES = {
    "required": "missing: this field is required",
    "null": "wrong_type: null is no answer; leave the field out instead",
    "type": "wrong_type: an object is wanted",
    "invalid": "wrong_type: a list is wanted",
}
UNKNOWN_FIELD = "unknown_field: there is no such field here"


class DocumentSchema(Schema):
    """An object of named fields; anything else is refused by name."""

    class Meta:
        """Unknown fields are faults."""

        unknown = RAISE

    error_messages = {
        "unknown": UNKNOWN_FIELD,
        "type": "wrong_type: an object is wanted",
    }

    def handle_error(self, error: ValidationError, data: Any, *, many: bool, **_: object) -> None:
        """Say of every unknown field which one was probably meant, or which there are."""
        if many or not isinstance(error.messages, dict):
            return
        known = tuple(field.data_key or key for key, field in self.fields.items())
        for key, said in error.messages.items():
            if said == [UNKNOWN_FIELD]:
                error.messages[key] = [f"{UNKNOWN_FIELD}; {_meant(str(key), known)}"]


@lru_cache(maxsize=1024)
def _meant(key: str, known: Iterable[str]) -> str:
    near = get_close_matches(key, known, n=1)
    return f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}"


def nested(schema: type[DocumentSchema], **settings: object) -> fields.Nested:
    """Return a field for an object of the schema."""
    return fields.Nested(schema, error_messages=MESSAGES, **settings)  # type: ignore[arg-type]


def list_of(inner: fields.Field[Any], **settings: object) -> fields.List[Any]:
    """Return a field for a list."""
    return fields.List(inner, error_messages=MESSAGES, **settings)  # type: ignore[arg-type]
