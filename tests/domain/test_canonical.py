"""Canonical JSON and digests. Against another implementation of RFC 8785: tests/external."""

import json
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.canonical import canonical, digest

TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))
DOCUMENTS = st.recursive(
    st.none() | st.booleans() | st.integers(-1000, 1000) | TEXT,
    lambda inner: st.lists(inner) | st.dictionaries(st.sampled_from(["a", "b", "c"]), inner),
)


def test_keys_are_sorted_and_nothing_is_spaced() -> None:
    assert canonical({"b": [1, True, None], "a": {"d": "x", "c": False}}) == (
        '{"a":{"c":false,"d":"x"},"b":[1,true,null]}'
    )


def test_the_order_of_keys_does_not_matter() -> None:
    assert canonical({"a": 1, "b": 2}) == canonical({"b": 2, "a": 1})


def test_text_that_is_not_ascii_stays_as_it_is() -> None:
    assert canonical(["é", "足"]) == '["é","足"]'


def test_a_tuple_is_an_array() -> None:
    assert canonical((1, (2,))) == "[1,[2]]"


@given(DOCUMENTS)
def test_reading_it_back_gives_the_document(document: Any) -> None:
    assert json.loads(canonical(document)) == document


@pytest.mark.parametrize("value", [1.5, Decimal("1.5"), date(2026, 11, 20), b"x", {1, 2}, object()])
def test_what_json_can_not_hold_exactly_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match=f"holds no {type(value).__name__}"):
        canonical({"a": [value]})


@pytest.mark.parametrize("key", ["größe", "\0", 1])
def test_a_key_is_ascii_text(key: object) -> None:
    with pytest.raises(ValueError, match="ASCII keys"):
        canonical({key: 1})


@pytest.mark.parametrize("text", ["a\0b", chr(0xD800), chr(0xDFFF), "a" + chr(0xDC00)])
def test_text_holds_neither_nul_nor_lone_surrogates(text: str) -> None:
    with pytest.raises(ValueError, match="lone surrogates"):
        canonical([text])


@pytest.mark.parametrize("text", ["\ud7ff", "\ue000", "\x01", "😀"])
def test_all_other_text_is_held(text: str) -> None:
    assert json.loads(canonical([text])) == [text]


@pytest.mark.parametrize("number", [2**53, -(2**53)])
def test_a_whole_number_beyond_what_every_reader_knows_is_refused(number: int) -> None:
    assert canonical([number - 1 if number > 0 else number + 1])
    with pytest.raises(ValueError, match="below 2\\^53"):
        canonical([number])


def test_a_digest_names_its_algorithm() -> None:
    # SHA-256 of the empty text, FIPS 180-4 examples
    assert digest("") == "sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
