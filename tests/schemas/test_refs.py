"""A ref of the sender's has one form, and nothing in it that can't be seen."""

from typing import Any

import pytest

from schemas import strict_json
from schemas.athlete import AthleteSchema

COMPOSED, DECOMPOSED = "\N{LATIN CAPITAL LETTER O WITH DIAERESIS}zil 7", "O\N{COMBINING DIAERESIS}zil 7"
# A letter that Unicode's composed form writes as two characters.
GROWS = "\N{DEVANAGARI LETTER QA}"


def loaded(ref: str) -> tuple[Any, list[tuple[str, str]]]:
    """The ref as it is kept, and the faults: code and detail."""
    athlete, faults = strict_json.load(AthleteSchema(), {"ref": ref})
    return athlete and athlete["ref"], [(fault.code, fault.detail) for fault in faults]


@pytest.mark.parametrize("ref", ["NU-101", COMPOSED, "a/b (c) #1", "\N{GREEK SMALL LETTER ALPHA}-7", "7 of 9"])
def test_a_ref_is_kept_as_it_is_sent(ref: str) -> None:
    assert loaded(ref) == (ref, [])


def test_a_ref_is_kept_composed_and_trimmed() -> None:
    assert loaded(f" {DECOMPOSED}\n") == (COMPOSED, [])


@pytest.mark.parametrize(
    ("character", "said"),
    [
        ("\N{ZERO WIDTH SPACE}", "U+200B ZERO WIDTH SPACE"),
        ("\N{RIGHT-TO-LEFT OVERRIDE}", "U+202E RIGHT-TO-LEFT OVERRIDE"),
        ("\N{SOFT HYPHEN}", "U+00AD SOFT HYPHEN"),
        ("\N{NO-BREAK SPACE}", "U+00A0 NO-BREAK SPACE"),
        ("\N{LINE SEPARATOR}", "U+2028 LINE SEPARATOR"),
        ("\t", "U+0009 CONTROL"),
        ("\x7f", "U+007F CONTROL"),
    ],
)
def test_what_can_not_be_seen_is_refused_by_name(character: str, said: str) -> None:
    _, [(code, detail)] = loaded(f"NU-{character}101")

    assert code == "bad_text"
    assert f"take out {said};" in detail


@pytest.mark.parametrize(("count", "codes"), [(31, []), (32, []), (33, ["bad_text"])])
def test_a_ref_is_as_long_as_it_is_kept(count: int, codes: list[str]) -> None:
    assert [code for code, _ in loaded(GROWS * count)[1]] == codes
