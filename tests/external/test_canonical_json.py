"""Canonical JSON against the `rfc8785` package, an implementation of RFC 8785."""

from typing import Any

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.canonical import LARGEST, canonical

ASCII_KEYS = st.text(st.characters(min_codepoint=1, max_codepoint=127), max_size=6)
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))
WHOLE = st.integers(min_value=-LARGEST + 1, max_value=LARGEST - 1)
DOCUMENTS = st.recursive(
    st.none() | st.booleans() | WHOLE | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(ASCII_KEYS, inner, max_size=4),
)


@given(DOCUMENTS)
@example({"b": 'é\u2028\u007f\u001f"\\😀'})
@example({"a": [1, -0, True, None], "A": {}, "_": [], "a b": "x"})
def test_a_document_has_the_bytes_of_rfc_8785(document: Any) -> None:
    assert canonical(document).encode() == rfc8785.dumps(document)


@given(
    st.dictionaries(st.text(st.characters(min_codepoint=128, exclude_categories=["Cs"]), min_size=1), WHOLE, min_size=1)
)
def test_a_key_that_is_not_ascii_is_refused(document: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="ASCII keys"):
        canonical({"outer": [document]})


def test_keys_that_are_not_ascii_would_be_sorted_otherwise() -> None:
    # RFC 8785 sorts by UTF-16 units, Python by code points: U+1F600 comes before U+FB33 there and after it here.
    keys = {"\U0001f600": 1, "\ufb33": 2}
    assert sorted(keys) == ["\ufb33", "\U0001f600"]
    assert rfc8785.dumps(keys).decode() == '{"\U0001f600":1,"\ufb33":2}'


@pytest.mark.parametrize("number", [LARGEST, -LARGEST, LARGEST + 1])
def test_a_whole_number_that_rfc_8785_can_not_hold_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match="2\\^53"):
        canonical([number])


@pytest.mark.parametrize("number", [LARGEST - 1, -LARGEST + 1])
def test_the_largest_whole_number_is_held_as_in_rfc_8785(number: int) -> None:
    assert canonical([number]).encode() == rfc8785.dumps([number])
