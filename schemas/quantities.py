"""Quantities of criteria files: `2.5 cm`, `80 %`, or a bare number where nothing but a count or a score is meant."""

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from marshmallow import fields

from schemas.strict_json import DIGITS, EXPONENT

_QUANTITY = re.compile(r"(-?(?:0|[1-9][0-9]*)(?:\.([0-9]+))?) (\S+)", re.ASCII)

Amount = int | Decimal | dict[str, Decimal | str]


class Quantity(fields.Field[Amount]):
    """A number with its unit as text (a map of value and unit when loaded), or a bare whole number."""

    default_error_messages = {
        "required": "missing: this field is required",
        "null": "wrong_type: null is no answer; leave the field out instead",
        "type": "wrong_type: a quantity is text with its unit, such as 2.5 cm, or a bare whole number",
        "text": "wrong_type: {text!r} is no quantity; write number, one space and unit, such as 2.5 cm",
        "whole": "not_whole: a bare number is a count or a score and must be whole; give a unit, such as 2.5 cm",
        "digits": "out_of_range: a number has at most 12 digits, 9 of them after the point",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> Amount:
        if isinstance(value, str):
            return self._with_unit(value.strip())
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.make_error("type")
        return self._bare(value)

    def _bare(self, value: int | Decimal) -> Amount:
        if value != int(value):
            raise self.make_error("whole")
        return int(value)

    def _with_unit(self, text: str) -> Amount:
        parts = _QUANTITY.fullmatch(text)
        if not parts:
            raise self.make_error("text", text=text)
        value, places, unit = parts.groups()
        if len(value.lstrip("-0.").replace(".", "")) > DIGITS or len(places or "") > EXPONENT:
            raise self.make_error("digits")
        return {"value": Decimal(value), "unit": unit}


class Statistic(Quantity):
    """A quantity that may be a bare decimal too: the measurement error of a count or a score."""

    def _bare(self, value: int | Decimal) -> Amount:
        return value
