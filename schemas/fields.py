"""The strict fields that all documents are made of.

A fault's message is `code: what mends it`; `schemas.faults` turns marshmallow's messages into places, codes and
details. Numbers are JSON numbers only (never text, never a boolean), whole means whole, and a choice that is not
on its list is answered with the list.
"""

import datetime as dt
import re
import unicodedata
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from marshmallow import ValidationError, fields, validate

TEXT_LENGTH = 2000
REF_LENGTH = 64
EMAIL_LENGTH = 254

_SHARED: dict[str, Any] = {
    "required": "missing: this field is required",
    "null": "wrong_type: null is no answer; leave the field out instead",
    "validator_failed": "out_of_range: the value is not allowed here",
}
# Moments are kept as fixed-width UTC text; far from these years that and adding days would fail.
FIRST_YEAR, LAST_YEAR = 1900, 2199
_YEAR = {"year": f"out_of_range: a year from {FIRST_YEAR} to {LAST_YEAR} is wanted"}
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_MONTH = re.compile(r"\d{4}-\d{2}", re.ASCII)
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})", re.ASCII)
# Unicode's categories of controls, format characters and separators.
_UNSEEN = frozenset({"Cc", "Cf", "Zl", "Zp", "Zs"})


class Text(fields.Field[str]):
    """Text of 1 to `most` characters, trimmed."""

    default_error_messages = _SHARED | {
        "type": "wrong_type: text is wanted",
        "length": "bad_text: 1 to {most} characters are wanted",
        "pattern": "bad_text: {wanted}",
    }

    def __init__(
        self, *, most: int = TEXT_LENGTH, pattern: str | None = None, wanted: str = "", **settings: Any
    ) -> None:
        super().__init__(**settings)
        self.most = most
        self.pattern = re.compile(pattern, re.ASCII) if pattern else None
        self.wanted = wanted

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        if not isinstance(value, str):
            raise self.make_error("type")
        text = value.strip()
        if not 1 <= len(text) <= self.most:
            raise self.make_error("length", most=self.most)
        if self.pattern and not self.pattern.fullmatch(text):
            raise self.make_error("pattern", wanted=self.wanted)
        return text


def composed(value: Any) -> Any:
    """Return a text trimmed and in Unicode's composed form (NFC), so that one ref has one form; else the value."""
    return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else value


class Ref(Text):
    """A reference of the sender's, composed; of what can't be seen it has the plain blank alone."""

    default_error_messages = {"unseen": "bad_text: take out {what}; it can't be seen, and makes this another ref"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        text = super()._deserialize(composed(value), attr, data)
        for one in text:
            if one != " " and unicodedata.category(one) in _UNSEEN:
                raise self.make_error("unseen", what=f"U+{ord(one):04X} {unicodedata.name(one, 'CONTROL')}")
        return text


def ref(**settings: Any) -> Text:
    """Return a field for a reference of the sender's: 1 to 64 characters."""
    return Ref(most=REF_LENGTH, **settings)


class Email(Text):
    """One e-mail address, without a name beside it; plain ASCII, so that every mail server takes it."""

    def __init__(self, **settings: Any) -> None:
        wanted = "one address such as kim@example.org is wanted, in ASCII and without a name or quotes"
        plain = r"[!#-'*+./0-9=?@A-Z^_`a-z{|}~-]+"
        is_address = validate.Email(error=f"bad_text: {wanted}")
        super().__init__(most=EMAIL_LENGTH, pattern=plain, wanted=wanted, validate=is_address, **settings)


def name(**settings: Any) -> Text:
    """Return a field for an id of the catalogue: snake_case."""
    wanted = "an id has small letters, digits and underscores"
    return Text(most=REF_LENGTH, pattern=r"[a-z][a-z0-9_]*", wanted=wanted, **settings)


def slug(**settings: Any) -> Text:
    """Return a field for the id of a set, a criterion or a source: kebab-case."""
    wanted = "an id has small letters, digits and hyphens"
    return Text(most=REF_LENGTH, pattern=r"[a-z0-9]+(-[a-z0-9]+)*", wanted=wanted, **settings)


class Number(fields.Field[Decimal]):
    """A JSON number, exactly as sent."""

    default_error_messages = _SHARED | {"type": "wrong_type: a number is wanted, not text or a truth value"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.make_error("type")
        return Decimal(value)


class Whole(fields.Field[int]):
    """A whole number from `least` to `most`; 5.0 is whole, 5.7 is not."""

    default_error_messages = _SHARED | {
        "type": "wrong_type: a whole number is wanted, not text or a truth value",
        "whole": "not_whole: a whole number is wanted",
        "range": "out_of_range: a whole number from {least} to {most} is wanted",
    }

    def __init__(self, *, least: int, most: int, **settings: Any) -> None:
        super().__init__(**settings)
        self.least = least
        self.most = most

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.make_error("type")
        if not self.least <= value <= self.most:
            raise self.make_error("range", least=self.least, most=self.most)
        if value != int(value):
            raise self.make_error("whole")
        return int(value)


class Flag(fields.Field[bool]):
    """True or false, nothing else."""

    default_error_messages = _SHARED | {"type": "wrong_type: true or false is wanted"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> bool:
        if not isinstance(value, bool):
            raise self.make_error("type")
        return value


class Choice(fields.Field[str]):
    """One of a closed list of words."""

    default_error_messages = _SHARED | {
        "type": "wrong_type: text is wanted, one of {choices}",
        "choice": "unknown_name: {value!r} is not on the list: {choices}",
    }

    def __init__(self, choices: Iterable[str], **settings: Any) -> None:
        super().__init__(**settings)
        self.choices = tuple(choices)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        listed = ", ".join(self.choices)
        if not isinstance(value, str):
            raise self.make_error("type", choices=listed)
        if value not in self.choices:
            raise self.make_error("choice", value=value, choices=listed)
        return value


class Answer(fields.Field[bool | int | str]):
    """An answer to a question of the catalogue: true or false, a whole number, or a word of its list."""

    default_error_messages = _SHARED | {
        "type": "wrong_type: an answer is true or false, a whole number or a word",
        "whole": "not_whole: a whole number is wanted",
    }

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> bool | int | str:
        if isinstance(value, bool | str):
            return value
        if not isinstance(value, int | Decimal):
            raise self.make_error("type")
        if value != value.to_integral_value() if isinstance(value, Decimal) else False:
            raise self.make_error("whole")
        return int(value)


class Answers(fields.Field[dict[str, Any]]):
    """An object of catalogue ids to answers; a faulty answer's place is its id."""

    default_error_messages = _SHARED | {"type": "wrong_type: an object of ids and answers is wanted"}

    def __init__(self, answer: fields.Field[Any] | None = None, **settings: Any) -> None:
        super().__init__(**settings)
        self.answer = Answer() if answer is None else answer

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise self.make_error("type")
        answers: dict[str, Any] = {}
        faults: dict[str, Any] = {}
        for key, answer in value.items():
            try:
                answers[key] = self.answer.deserialize(answer, key, value)
            except ValidationError as error:
                faults[key] = error.messages
        if faults:
            raise ValidationError(faults, valid_data=answers)
        return answers


class Day(fields.Field[dt.date]):
    """A date, `YYYY-MM-DD`."""

    default_error_messages = _SHARED | _YEAR | {"day": "wrong_type: a date YYYY-MM-DD is wanted"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dt.date:
        if not isinstance(value, str) or not _DAY.fullmatch(value):
            raise self.make_error("day")
        try:
            day = dt.date.fromisoformat(value)
        except ValueError:
            raise self.make_error("day") from None
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise self.make_error("year")
        return day


class DayOrMonth(fields.Field[str]):
    """A date or a month, `YYYY-MM-DD` or `YYYY-MM`, kept as text."""

    default_error_messages = _SHARED | _YEAR | {"day": "wrong_type: a date YYYY-MM-DD or a month YYYY-MM is wanted"}

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        if not isinstance(value, str) or not (_DAY.fullmatch(value) or _MONTH.fullmatch(value)):
            raise self.make_error("day")
        try:
            day = dt.date.fromisoformat(value if _DAY.fullmatch(value) else f"{value}-01")
        except ValueError:
            raise self.make_error("day") from None
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise self.make_error("year")
        return value


class Moment(fields.Field[dt.datetime]):
    """A moment of RFC 3339 with its offset from UTC; of nanoseconds, as some write, microseconds are read."""

    default_error_messages = (
        _SHARED | _YEAR | {"moment": "wrong_type: a moment with offset is wanted, such as 2026-11-20T16:30:00+01:00"}
    )

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> dt.datetime:
        if not isinstance(value, str) or not _MOMENT.fullmatch(value):
            raise self.make_error("moment")
        try:
            moment = dt.datetime.fromisoformat(value.upper())
        except ValueError:
            raise self.make_error("moment") from None
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            raise self.make_error("year")
        return moment
