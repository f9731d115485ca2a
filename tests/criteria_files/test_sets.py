"""A small good set: what its resolved document holds, and what the check warns of."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from service.criteria_files import LoadedSet, load_catalogue, load_set
from service.domain.canonical import canonical, digest
from service.domain.errors import CriteriaFaultsError

MINI = Path(__file__).parent / "mini"


def loaded(folder: Path = MINI) -> LoadedSet:
    return load_set(folder / "mini-sprain" / "1.yaml", folder / "catalogue")


def document() -> dict[str, Any]:
    return loaded().document


def edited(tmp_path: Path, *edits: tuple[str, str, str]) -> Path:
    """Return a copy of the small set in which one text of a file after the other is replaced."""
    folder = Path(shutil.copytree(MINI, tmp_path / "mini"))
    for name, old, new in edits:
        file = folder / name
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(text.replace(old, new), encoding="utf-8")
    return folder


def test_the_same_files_give_the_same_digest_twice() -> None:
    assert digest(canonical(document())) == digest(canonical(document()))


def test_the_order_of_criteria_in_the_file_does_not_change_the_digest(tmp_path: Path) -> None:
    line = next(one for one in (MINI / "mini-sprain/1.yaml").read_text().splitlines() if "  no-limp:" in one)
    folder = edited(
        tmp_path,
        ("mini-sprain/1.yaml", f"{line}\n", ""),
        ("mini-sprain/1.yaml", "\nstages:", f"{line}\n\nstages:"),
    )

    assert canonical(loaded(folder).document) == canonical(document())


def test_quantities_are_value_and_unit_in_one_spelling() -> None:
    criteria = document()["criteria"]

    assert criteria["lunge-difference"]["at_most"] == {"value": "1.5", "unit": "cm"}
    assert criteria["lunge-range"]["at_least"] == {"value": "0.08", "unit": "m"}
    assert criteria["hop-index"]["at_least"] == {"value": "90", "unit": "%"}
    assert criteria["heel-count"]["at_least"] == 15


def test_a_bare_decimal_is_text_and_a_bare_whole_number_is_whole() -> None:
    tests = document()["catalogue"]["tests"]

    assert tests["heel_rise"]["measurement_error"]["sem"] == "2.1"
    assert tests["warm_hop"]["measurement_error"]["sem"] == 1


def test_texts_are_trimmed_and_folded() -> None:
    assert document()["limits"] == "Everything here is invented."


def test_absent_keys_stay_absent() -> None:
    assert document()["criteria"]["lunge-alone"] == {"all": ["lunge-pain", "lunge-range"]}


def test_an_answer_stays_as_it_is() -> None:
    assert document()["criteria"]["no-limp"]["is"] is False
    assert document()["not_today"][0] == {"question": "limp", "is": True, "evidence": "practice"}


def test_only_tests_that_are_named_or_go_before_one_are_copied_in() -> None:
    """warm_hop is named by nothing but the `after` of the side hop."""
    assert set(document()["catalogue"]["tests"]) == {
        "pain_worst_24h",
        "lunge",
        "heel_rise",
        "side_hop",
        "warm_hop",
        "foot_lifts",
        "drift",
    }


def test_a_test_that_goes_before_two_others_is_copied_in_once(tmp_path: Path) -> None:
    folder = edited(tmp_path, ("catalogue/tests.yaml", "  rest_days: 7", "  rest_days: 7\n  after: [warm_hop]"))

    assert list(loaded(folder).document["catalogue"]["tests"]).count("warm_hop") == 1


def test_only_questions_that_are_read_are_copied_in() -> None:
    assert set(document()["catalogue"]["questions"]) == {
        "limp",
        "pain_at_rest",
        "medication_24h",
        "since_last",
        "support",
        "surface",
    }


def test_sessions_keep_their_rank_in_the_whole_catalogue(tmp_path: Path) -> None:
    folder = edited(
        tmp_path,
        ("mini-sprain/1.yaml", "sessions: [walk], take: latest", "sessions: [full], take: latest"),
    )

    sessions = loaded(folder).document["catalogue"]["sessions"]

    assert {name: session["rank"] for name, session in sessions.items()} == {"drill": 2, "full": 3}


def test_only_sources_that_are_cited_in_what_is_kept_are_copied_in() -> None:
    sources = document()["catalogue"]["sources"]

    assert set(sources) == {"verified-2001", "memory-2002", "verified-2003"}
    assert sources["memory-2002"]["status"] == "memory"


def test_a_class_brings_no_new_test_in(tmp_path: Path) -> None:
    folder = edited(
        tmp_path,
        ("catalogue/tests.yaml", "unused_test:", "other_hop:"),
        ("catalogue/tests.yaml", "  title: Unused", "  title: Other\n  classes: [range]"),
    )

    assert "other_hop" not in loaded(folder).document["catalogue"]["tests"]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("{tests: hops, metric", "{tests: strength, metric", "felt-instability/tests"),
        ("metric: rise, after: hops", "metric: rise, after: strength", "morning-after/after"),
    ],
)
def test_a_class_of_which_the_set_names_no_test_is_a_fault(tmp_path: Path, old: str, new: str, key: str) -> None:
    folder = edited(
        tmp_path,
        ("mini-sprain/1.yaml", old, new),
        ("catalogue/tests.yaml", "  classes: [strength]\n", ""),
    )

    with pytest.raises(CriteriaFaultsError) as raised:
        loaded(folder)

    (fault,) = raised.value.faults
    assert fault.path == f"#/criteria/{key}"
    assert "names no test of the class strength" in fault.detail


def test_the_catalogue_alone_is_read_or_refused(tmp_path: Path) -> None:
    assert list(load_catalogue(MINI / "catalogue").sessions) == ["walk", "drill", "full"]

    folder = edited(tmp_path, ("catalogue/sessions.yaml", "takes: minutes", "takes: hours"))

    with pytest.raises(CriteriaFaultsError) as raised:
        load_catalogue(folder / "catalogue")

    assert [fault.path for fault in raised.value.faults] == ["#/walk/takes", "#/full/takes"]


def warned(folder: Path) -> dict[str, str]:
    return {fault.path: fault.detail for fault in loaded(folder).warnings}


def test_the_small_set_is_warned_of_a_test_without_its_error() -> None:
    (warning,) = loaded().warnings

    assert (Path(warning.file).name, warning.line, warning.path) == ("tests.yaml", 1, "#/pain_worst_24h")
    assert "add measurement_error" in warning.detail


def test_a_two_sided_criterion_without_a_route_is_warned_of(tmp_path: Path) -> None:
    folder = edited(
        tmp_path,
        ("mini-sprain/1.yaml", "    without_reference: lunge-alone\n", ""),
        ("mini-sprain/1.yaml", " without_reference: hop-alone,", ""),
        ("mini-sprain/1.yaml", "walk-pain]", "walk-pain, lunge-alone, hop-alone]"),
    )

    found = warned(folder)

    assert "name what is judged instead" in found["#/criteria/lunge-difference"]
    assert "name what is judged instead" in found["#/criteria/hop-choice"]


def asking(tmp_path: Path, *names: str) -> Path:
    """Return a copy of the small set whose first stage asks these, and shows the rest of what it asked."""
    asked = ["no-limp", "quiet", "pain-low", "lunge-difference", "heel-count", "walk-pain"]
    rest = [name for name in asked if name not in names]
    return edited(
        tmp_path,
        ("mini-sprain/1.yaml", f"asks: [{', '.join(asked)}]", f"asks: [{', '.join(names)}]"),
        ("mini-sprain/1.yaml", "shows: [", f"shows: [{', '.join(rest)}, "),
    )


def test_a_stage_that_reads_loading_tests_and_asks_no_pain_is_warned_of(tmp_path: Path) -> None:
    folder = asking(tmp_path, "no-limp", "lunge-difference", "heel-count")

    assert warned(folder)["#/stages/0/asks"].startswith("the stage reads loading tests (heel_rise, lunge)")


@pytest.mark.parametrize("left", ["quiet", "pain-low", "walk-pain"])
def test_one_question_about_pain_is_enough(tmp_path: Path, left: str) -> None:
    folder = asking(tmp_path, left, "lunge-difference", "heel-count")

    assert "#/stages/0/asks" not in warned(folder)


def test_a_stage_that_reads_no_loading_test_need_not_ask_pain(tmp_path: Path) -> None:
    assert "#/stages/0/asks" not in warned(asking(tmp_path, "no-limp"))


def test_a_test_that_no_later_stage_asks_is_warned_of(tmp_path: Path) -> None:
    folder = edited(tmp_path, ("mini-sprain/1.yaml", "      - lunge-difference\n", ""))

    assert warned(folder)["#/stages/0/asks/3"].startswith("lunge is asked for the last time here")
