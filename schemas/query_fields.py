"""The fields of an address's arguments: text comes in, and it is as strict as the body."""

import re
from collections.abc import Mapping
from typing import Any

from schemas import fields
from schemas.document import DocumentSchema, list_of, nested

DEFAULT_LIMIT, MOST_LIMIT = 50, 200
MOST_CURSOR = 512

_WHOLE = re.compile(r"-?[0-9]{1,12}", re.ASCII)
_UUID = r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}"


class WholeText(fields.Whole):
    """A whole number as text."""

    default_error_messages = {"text": "wrong_type: a whole number in digits is wanted"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> int:
        if not _WHOLE.fullmatch(value):
            raise self.make_error("text")
        return super()._deserialize(int(value), attr, data)


class FlagText(fields.Flag):
    """`true` or `false`."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> bool:
        return super()._deserialize({"true": True, "false": False}.get(value), attr, data)


class Id(fields.Text):
    """An id of ours, in small letters."""

    def __init__(self, **settings: Any) -> None:
        wanted = "an id of this service is wanted, such as 01890a5d-ac96-774b-bcce-b302099a8057"
        super().__init__(most=36, pattern=_UUID, wanted=wanted, **settings)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        return super()._deserialize(value, attr, data).lower()


# A date, a moment, a choice and a ref are text in a body too.
Day, Moment, Choice, Text = fields.Day, fields.Moment, fields.Choice, fields.Text
ref, name, slug = fields.ref, fields.name, fields.slug


class PageQuerySchema(DocumentSchema):
    """Which page of a list."""

    limit = WholeText(least=1, most=MOST_LIMIT, load_default=DEFAULT_LIMIT)
    cursor = fields.Text(most=MOST_CURSOR)


def page_of(item: type[DocumentSchema]) -> type[DocumentSchema]:
    """Return the schema of a page of items; `next` is the address of the next page, null on the last one."""
    told = {
        "__doc__": f"A page of a list. {item.__doc__}",
        "items": list_of(nested(item), required=True),
        "next": fields.Text(required=True, allow_none=True),
    }
    return type(f"{item.__name__.removesuffix('Schema')}PageSchema", (DocumentSchema,), told)
