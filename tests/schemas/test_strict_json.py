"""JSON is read exactly, and what can't be read exactly is refused with its place."""

import json
from contextlib import suppress
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from marshmallow import Schema

from schemas import strict_json
from schemas.document import DocumentSchema
from schemas.faults import pointer
from schemas.fields import Number, Text
from schemas.strict_json import BrokenJsonError, load, read
from service.domain import numbers

BROKEN = Path(__file__).parent / "broken" / "json"

REFUSED_AS_A_WHOLE = {
    "cut-off": ("broken_json", "line 3, column 1"),
    "empty": ("broken_json", "the text is empty"),
    "infinity": ("broken_json", "-Infinity is no number of JSON (line 2, column 23)"),
    "key-twice": ("broken_json", "the key 'value' stands more than once in #/measurements/0"),
    "key-twice-by-escape": ("broken_json", "the key 'pain' stands more than once in #"),
    "not-a-number": ("broken_json", "NaN is no number of JSON (line 1, column 11)"),
    "not-utf-8": ("broken_json", "byte 14 can't be read; save it as UTF-8"),
    "thirteen-levels": ("too_deep", "more than 12 levels deep (line "),
    "trailing-comma": ("broken_json", "line 3, column 1"),
    "two-documents": ("broken_json", "line 2, column 1"),
}
REFUSED_IN_ITS_PLACE = {
    "exponent-of-ten-million": ("#/value", "out_of_range"),
    "exponent-of-thirty-digits": ("#/value", "out_of_range"),
    "exponent-ten": ("#/value", "out_of_range"),
    "lone-surrogate": ("#/tester", "bad_text"),
    "lone-surrogate-in-key": ("#/\\udfff", "bad_text"),
    "long-row-of-zeros": ("#/value", "out_of_range"),
    "null-character": ("#/tester", "bad_text"),
    "null-character-in-key": ("#/session_check/li\\u0000mp", "bad_text"),
    "ten-places": ("#/value", "out_of_range"),
    "thirteen-digits": ("#/value", "out_of_range"),
    "thirteen-whole-digits": ("#/value", "out_of_range"),
}


class MeasuredSchema(DocumentSchema):
    value = Number(required=True)
    tester = Text()


def refusal(body: bytes | str, **settings: int) -> BrokenJsonError:
    with pytest.raises(BrokenJsonError) as caught:
        read(body, **settings)
    return caught.value


def faults_of(schema: Schema, text: str) -> list[tuple[str, str]]:
    document, found = read(text)
    loaded, faults = load(schema, document, found=found)
    assert loaded is None
    return [(pointer(fault.path), fault.code) for fault in faults]


@pytest.mark.parametrize("name", REFUSED_AS_A_WHOLE)
def test_what_is_no_json_is_refused_with_its_place(name: str) -> None:
    code, place = REFUSED_AS_A_WHOLE[name]

    error = refusal((BROKEN / f"{name}.json").read_bytes())

    assert error.code == code
    assert place in error.message


@pytest.mark.parametrize("name", REFUSED_IN_ITS_PLACE)
def test_a_number_or_text_that_could_not_be_kept_is_a_fault_of_its_place(name: str) -> None:
    _, faults = read((BROKEN / f"{name}.json").read_bytes())

    assert [(pointer(fault.path), fault.code) for fault in faults] == [REFUSED_IN_ITS_PLACE[name]]


def test_every_broken_file_is_tried() -> None:
    assert {path.stem for path in BROKEN.iterdir()} == REFUSED_AS_A_WHOLE.keys() | REFUSED_IN_ITS_PLACE.keys()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("22", 22),
        ("-0", 0),
        ("9.80", Decimal("9.80")),
        ("1E2", Decimal("1E+2")),
        ("123456789012", 123456789012),
        ("-123456789012", -123456789012),
        ("123456.789012", Decimal("123456.789012")),
        ("1E9", Decimal("1E+9")),
        ("0.000000001", Decimal("1E-9")),
        ("true", True),
        ("null", None),
        ('"\\u00e9 \\ud83c\\udfc3"', "é 🏃"),
    ],
)
def test_values_come_out_exactly_as_sent(text: str, value: object) -> None:
    document, faults = read(text)

    assert faults == []
    assert (type(document), str(document)) == (type(value), str(value))


def test_the_domain_shows_as_many_digits_as_a_number_may_have() -> None:
    assert strict_json.DIGITS == numbers.DIGITS


def test_a_text_of_white_space_is_empty() -> None:
    assert refusal(" \r\n").message == "the text is empty; send a document"


def test_a_text_that_is_too_large_is_not_given_a_size() -> None:
    assert refusal("[[[]]]", most_bytes=5).message.startswith("the text has more than 5 bytes")


def test_twelve_levels_are_read() -> None:
    document, faults = read("[" * 12 + "]" * 12)

    assert faults == []
    assert str(document) == "[" * 12 + "]" * 12


@pytest.mark.parametrize("bracket", ["[", '{"a":', "[]]", "[{"])
def test_a_million_brackets_are_refused_at_once(bracket: str) -> None:
    assert refusal(bracket * 1_000_000, most_bytes=10_000_000).code in {"too_deep", "broken_json"}


@pytest.mark.parametrize("text", ['"' + "\\" * 900_001, '"a' * 400_000, '"' + '\\"' * 400_000])
def test_unclosed_texts_are_refused_at_once(text: str) -> None:
    assert refusal(text).code == "broken_json"


def test_brackets_and_constants_inside_a_text_are_only_text() -> None:
    text = '["[[[[[[[[[[[[[[[[", "NaN", "-Infinity", "\\"[[[[[[[[[[[["]'

    assert read(text) == (json.loads(text), [])


def test_a_number_of_a_million_digits_is_never_computed() -> None:
    for text in ("9" * 1_000_000, "0." + "9" * 1_000_000, "1e" + "9" * 1_000_000):
        document, (fault,) = read(text)

        assert document is None
        assert fault.code == "out_of_range"


@pytest.mark.parametrize("body", ['{"tester": "é"}', '{"tester": "é"}'.encode()])
def test_size_is_counted_in_bytes(body: bytes | str) -> None:
    assert read(body, most_bytes=16) == ({"tester": "é"}, [])
    assert refusal(body, most_bytes=15).code == "too_large"


def test_one_mebibyte_is_the_limit() -> None:
    at_the_limit = '"' + "a" * (1024 * 1024 - 2) + '"'

    assert len(read(at_the_limit)[0]) == 1024 * 1024 - 2
    assert refusal(at_the_limit + " ").code == "too_large"


def test_a_byte_order_mark_in_front_is_ignored() -> None:
    assert read(b"\xef\xbb\xbf{}") == ({}, [])


def test_half_a_surrogate_pair_in_a_text_that_was_decoded_before_is_a_fault_too() -> None:
    _, (fault,) = read('["\ud800"]')

    assert fault.path == (0,)


def test_faults_of_reading_and_of_the_schema_come_together() -> None:
    text = '{"value": "9.8", "tester": "\\u0000", "unti": 1e10}'

    assert faults_of(MeasuredSchema(), text) == [
        ("#/tester", "bad_text"),
        ("#/unti", "out_of_range"),
        ("#/value", "wrong_type"),
    ]


def test_a_place_with_a_fault_of_reading_is_named_once() -> None:
    assert faults_of(MeasuredSchema(), '{"value": 1234567890123}') == [("#/value", "out_of_range")]


def test_a_document_without_faults_is_loaded() -> None:
    document, found = read('{"value": 9.80}')

    assert load(MeasuredSchema(), document, found=found) == ({"value": Decimal("9.80")}, [])


def dump(value: object) -> str:
    """Write JSON with the Decimals as they are; the json module has no such switch."""
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, dict):
        return "{" + ",".join(f"{json.dumps(key)}:{dump(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(dump(item) for item in value) + "]"
    return json.dumps(value)


def decimals() -> st.SearchStrategy[Decimal]:
    digits = st.integers(min_value=-(10**12) + 1, max_value=10**12 - 1)
    return st.builds(lambda whole, places: Decimal(whole).scaleb(places), digits, st.integers(-9, 9))


def documents() -> st.SearchStrategy[object]:
    texts = st.text(st.characters(codec="utf-8", exclude_characters="\0"))
    whole = st.integers(min_value=-(10**12) + 1, max_value=10**12 - 1)
    leaves = st.none() | st.booleans() | whole | decimals() | texts
    return st.recursive(
        leaves, lambda below: st.lists(below, max_size=4) | st.dictionaries(texts, below, max_size=4), max_leaves=10
    ).filter(lambda document: depth(document) <= strict_json.DEEPEST)


def depth(value: object) -> int:
    if isinstance(value, dict):
        value = list(value.values())
    return 1 + max(map(depth, value), default=0) if isinstance(value, list) else 0


@given(documents())
def test_what_was_written_is_read_back(document: object) -> None:
    assert read(dump(document)) == (document, [])


@given(decimals())
def test_every_decimal_inside_the_limits_is_read_digit_by_digit(value: Decimal) -> None:
    (read_back,), faults = read(f"[{value:E}]")

    assert faults == []
    assert Decimal(read_back) == value


@given(st.text() | st.binary())
def test_any_text_is_read_or_refused_and_never_anything_else(body: str | bytes) -> None:
    with suppress(BrokenJsonError):
        read(body)
