"""Maps whose keys are ids, and texts that may bring their own sources."""

from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields

from schemas.document import DocumentSchema
from schemas.fields import Text


class Keyed(fields.Field[dict[str, Any]]):
    """A map from an id to an entry, in the order of the file."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
        "type": "wrong_type: a map from ids to entries is wanted",
    }

    def __init__(self, key: Text, entry: fields.Field[Any], **settings: Any) -> None:
        super().__init__(**settings)
        self.key = key
        self.entry = entry

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.make_error("type")
        loaded: dict[str, Any] = {}
        messages: dict[str | int, Any] = {}
        for key, entry in value.items():
            try:
                loaded[str(self.key.deserialize(key))] = self.entry.deserialize(entry)
            except ValidationError as error:
                messages[key] = error.messages
        if messages:
            raise ValidationError(messages)
        return loaded


class TextOr(fields.Field[str | dict[str, Any]]):
    """Text, or a document of one schema."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
    }

    def __init__(self, schema: type[DocumentSchema], **settings: Any) -> None:
        super().__init__(**settings)
        self.schema = schema()

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any
    ) -> str | dict[str, Any]:
        if isinstance(value, dict):
            loaded: dict[str, Any] = self.schema.load(value)
            return loaded
        text: str = Text().deserialize(value, attr, data)
        return text
