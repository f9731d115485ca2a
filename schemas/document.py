"""What all schemas share: plain dicts out, unknown fields refused by name, nulls never an answer."""

from typing import Any

from marshmallow import RAISE, Schema, fields

MESSAGES = {
    "required": "missing: this field is required",
    "null": "wrong_type: null is no answer; leave the field out instead",
    "type": "wrong_type: an object is wanted",
    "invalid": "wrong_type: a list is wanted",
}


class DocumentSchema(Schema):
    """An object of named fields; anything else is refused by name."""

    class Meta:
        """Unknown fields are faults."""

        unknown = RAISE

    error_messages = {  # noqa: RUF012 - marshmallow declares it so
        "unknown": "unknown_field: there is no such field here",
        "type": "wrong_type: an object is wanted",
    }


def nested(schema: type[DocumentSchema], **settings: object) -> fields.Nested:
    """Return a field for an object of the schema."""
    return fields.Nested(schema, error_messages=MESSAGES, **settings)  # type: ignore[arg-type]


def list_of(inner: fields.Field[Any], **settings: object) -> fields.List[Any]:
    """Return a field for a list."""
    return fields.List(inner, error_messages=MESSAGES, **settings)  # type: ignore[arg-type]
