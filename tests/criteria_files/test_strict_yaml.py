"""Strict YAML: one broken file for each refusal, and what every spelling means."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from schemas.faults import pointer
from schemas.strict_yaml import LARGEST_FILE, read_yaml

BROKEN = Path(__file__).parent / "broken" / "yaml"

REFUSED = {
    "alias": (2, "#/b", "*same is an alias"),
    "alias-as-key": (2, "#", "a key is text"),
    "anchor": (1, "#/a", "&same is an anchor"),
    "control-character": (2, "#", "U+0007"),
    "directive": (1, "#", "a directive"),
    "duplicate-key": (5, "#/b/c", "c stands twice, first on line 3"),
    "empty": (1, "#", "the file is empty"),
    "empty-value": (2, "#/b", "nothing stands here"),
    "list-as-key": (2, "#", "a key is text"),
    "lone-surrogate": (2, "#/b", "a lone surrogate"),
    "merge-key": (3, "#/b", "<< is a merge key"),
    "no-such-character": (1, "#", "names no character"),
    "not-utf-8": (2, "#", "not UTF-8"),
    "nul": (2, "#/b", "U+0000"),
    "number-as-key": (2, "#", "put 5 in quotes"),
    "open-bracket": (3, "#", "this is no YAML"),
    "second-document": (2, "#", "a second document"),
    "tag": (2, "#/b", "is a tag"),
    "tag-without-name": (2, "#/b", "is a tag"),
    "ten-places": (2, "#/b", "9 of them after the point"),
    "thirteen-digits": (2, "#/b", "at most 12 digits"),
    "too-deep": (2, "#/b" + 15 * "/0", "deeper than 16"),
    "too-deep-keys": (2, "#/b" + 15 * "/?", "deeper than 16"),
    "truth-as-key": (2, "#", "put true in quotes"),
}


def read(text: str) -> Any:
    document, faults = read_yaml(text.encode())

    assert faults == []
    assert document is not None
    return document.value


def test_every_broken_file_is_looked_at() -> None:
    assert {path.stem for path in BROKEN.iterdir()} == set(REFUSED)


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_a_refusal_names_line_place_and_mend(name: str) -> None:
    line, place, says = REFUSED[name]

    document, faults = read_yaml((BROKEN / f"{name}.yaml").read_bytes())

    assert document is None
    assert (faults[-1].line, pointer(faults[-1].path)) == (line, place)
    assert says in faults[-1].detail


def test_all_faults_are_found_at_once_even_under_a_refused_key() -> None:
    _, faults = read_yaml(b"a: *x\nb: {1: [*y], c: !t 1}\nd: 1\nd: [*z]\n")

    assert [fault.detail.split(";")[0] for fault in faults] == [
        "*x is an alias",
        "a key is text",
        "*y is an alias",
        "!t is a tag",
        "d stands twice, first on line 3",
        "*z is an alias",
    ]


WORDS = (
    *("on", "off", "yes", "no", "True", "NULL", "~", "=", ".inf", "'5'", "'true'", "'null'"),
    *("2026-11-20", "1:30", "0x10", "0o7", "1_000", "1e3", ".5", "5.", "+1", "007"),
)


@pytest.mark.parametrize("text", WORDS)
def test_everything_but_json_values_is_text(text: str) -> None:
    assert read(f"a: {text}") == {"a": text.strip("'\"")}


@pytest.mark.parametrize("text", ["on", "no", "y", "2026-11-20"])
def test_a_key_is_text_as_it_stands(text: str) -> None:
    assert read(f"{text}: 1") == {text: 1}


def test_json_values_are_read_exactly() -> None:
    value = read("[null, true, false, 0, -12, 999999999999, 1.50, -0.1, 0.000000001]")

    assert value == [
        None,
        True,
        False,
        0,
        -12,
        999999999999,
        Decimal("1.50"),
        Decimal("-0.1"),
        Decimal("0.000000001"),
    ]
    assert [type(one) for one in value[3:7]] == [int, int, int, Decimal]
    assert str(value[6]) == "1.50"


def test_block_texts_and_a_byte_order_mark_are_read() -> None:
    document, faults = read_yaml("\ufeffa: >-\n  one\n  two\nb: |\n  three\n".encode())

    assert faults == []
    assert document is not None
    assert document.value == {"a": "one two", "b": "three\n"}


def test_each_key_and_item_has_its_line() -> None:
    document, _ = read_yaml(b"# comment\na:\n  - 1\n  - b: 2\n    c: {d: 3}\n")

    assert document is not None
    assert document.lines == {
        (): 2,
        ("a",): 2,
        ("a", 0): 3,
        ("a", 1): 4,
        ("a", 1, "b"): 4,
        ("a", 1, "c"): 5,
        ("a", 1, "c", "d"): 5,
    }


def test_sixteen_levels_are_read_and_seventeen_are_not() -> None:
    assert read("[" * 16 + "]" * 16)
    assert read_yaml(b"[" * 17 + b"]" * 17)[0] is None


@pytest.mark.parametrize("text", ["{" * 5000, "[" * 5000, "? " * 5000, "- " * 5000])
def test_endless_nesting_ends_in_a_fault(text: str) -> None:
    assert "deeper than 16" in read_yaml(text.encode())[1][-1].detail


def test_a_file_of_one_mebibyte_is_read_and_a_larger_one_is_not() -> None:
    comment = b"#" * (LARGEST_FILE - 2)

    assert read_yaml(b"1\n" + comment)[0] is not None
    assert "larger than 1 MiB" in read_yaml(b"1\n" + comment + b"#")[1][0].detail
