"""The engine against worked examples in print: it agrees with what is right, and reproduces no slip.

Sources stand beside each example in worked_checks.yaml.
"""

from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.domain.small_record import LEFT, RIGHT, assessment, measured, reason_of, reasons_in, verdict_of
from tests.domain.small_set import TESTS, small_set

# BaseLoader leaves every figure as the text that was printed.
TEXT = (Path(__file__).parent / "worked_checks.yaml").read_text(encoding="utf-8")
CHECKS = yaml.load(TEXT, yaml.BaseLoader)  # noqa: S506 - it makes nothing but text
SYMMETRY = CHECKS["symmetry"]
AGREES = [one for one in SYMMETRY if one["check"] == "agrees"]
TRAPS = [one for one in SYMMETRY if one["check"] == "trap"]
DECISIONS = CHECKS["decision"]

KINDS: dict[str, Any] = {
    "distance": {**TESTS["hop"], "after": []},
    "repetitions": {**TESTS["heel_rises"]},
    "time": {**TESTS["side_hop"]},
}
UNITS = {"distance": "cm", "repetitions": None, "time": "s"}
TRIALS = 2  # group means stand for as many trials as a test may need


def engines_figure(check: dict[str, str]) -> Fraction:
    """Return the limb symmetry index that the engine computes of a check's two values, in per cent."""
    sides = [
        measured("test", side, check[value], unit=UNITS[check["test"]], trials_summarised=TRIALS)
        for side, value in ((LEFT, "involved"), (RIGHT, "uninvolved"))
    ]
    criterion = {"test": "test", "metric": "limb_symmetry_index", "at_least": "90 %"}
    figure = reason_of(criterion, assessment(sides), tests={"test": KINDS[check["test"]]}).figure
    assert figure is not None
    return figure


def distance(check: dict[str, str]) -> Fraction:
    """Return how far the engine's figure lies from the printed one."""
    return abs(engines_figure(check) - Fraction(Decimal(check["reported"])))


def tolerance(check: dict[str, str]) -> Fraction:
    return Fraction(Decimal(check["tolerance"]))


def names(checks: list[dict[str, str]]) -> list[str]:
    return [one["id"] for one in checks]


def test_there_are_examples_of_every_sort() -> None:
    assert (len(AGREES), len(TRAPS), len(DECISIONS)) == (15, 3, 1)
    assert all(one["source"] for one in (*SYMMETRY, *DECISIONS))


@pytest.mark.parametrize("check", AGREES, ids=names(AGREES))
def test_the_engine_agrees_with_the_printed_index(check: dict[str, str]) -> None:
    assert distance(check) <= tolerance(check)


@pytest.mark.parametrize("check", [one for one in TRAPS if one["test"] != "time"], ids=["L14", "L26"])
def test_the_engine_does_not_reproduce_a_slip(check: dict[str, str]) -> None:
    assert distance(check) > tolerance(check)


def test_the_engine_does_not_reproduce_an_index_with_its_direction_reversed() -> None:
    [reversed_] = [one for one in TRAPS if one["test"] == "time"]
    assert distance(reversed_) > tolerance(reversed_)
    assert engines_figure(reversed_) < 100 < Fraction(Decimal(reversed_["reported"]))


@pytest.mark.parametrize("check", DECISIONS, ids=names(DECISIONS))
def test_the_most_limiting_outcome_decides_a_group_and_a_gate(check: dict[str, Any]) -> None:
    hops = {"met": "1 cm", "not_met": "399 cm"}
    parts = {
        f"outcome-{place}": {"test": "hop", "metric": "value", "at_least": hops[outcome]}
        for place, outcome in enumerate(check["outcomes"])
    }
    criteria = small_set(
        {"group": {"all": list(parts)}, **parts}, stages={"together": ["group"], "one-by-one": list(parts)}
    )
    battery = assessment(measured("hop", LEFT, 100))
    together, single = (verdict_of(criteria, battery, stage=stage) for stage in ("together", "one-by-one"))
    assert [reasons_in(single)[part].status for part in parts] == check["outcomes"]
    assert reasons_in(together)["group"].status == check["decision"]
    assert (together["outcome"], single["outcome"]) == ("hold", "hold")
