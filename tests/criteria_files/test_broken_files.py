"""One broken file for each refusal: a small good set with one edit, and what must be said about it.

A fixture of broken/ names the file of mini/ that it edits, the text it replaces and by what, the path of the fault,
and a part of its message. The fault stands on the line marked `# here`, else on the one that `at` names.
"""

import shutil
from pathlib import Path
from typing import Any

import pytest

from schemas.strict_yaml import read_yaml
from service.criteria_files import examples_beside, load_examples, load_set
from service.domain.errors import CriteriaFaultsError, Fault

HERE = Path(__file__).parent
BROKEN = HERE / "broken"
FIXTURES = sorted(path for folder in ("catalogue", "examples", "set") for path in (BROKEN / folder).iterdir())


def faults_of(folder: Path) -> list[Fault]:
    """Return every fault of the small set in a folder, and of its examples."""
    path = folder / "mini-sprain" / "1.yaml"
    faults: list[Fault] = []
    for load in (lambda: load_set(path, folder / "catalogue"), lambda: load_examples(examples_beside(path))):
        try:
            load()
        except CriteriaFaultsError as error:
            faults += error.faults
    return faults


def fixture(path: Path) -> Any:
    document, faults = read_yaml(path.read_bytes())

    assert faults == []
    assert document is not None
    return document.value


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_a_refusal_names_file_line_path_and_mend(path: Path, tmp_path: Path) -> None:
    broken = fixture(path)
    folder = Path(shutil.copytree(HERE / "mini", tmp_path / "mini"))
    file = folder / broken["file"]
    good = file.read_text(encoding="utf-8")
    assert good.count(broken["replace"]) == 1, "the fixture must say which text it replaces"
    edited = good.replace(broken["replace"], broken["with"])
    file.write_text(edited, encoding="utf-8")
    mark = broken.get("at", "# here")
    line = next(number for number, text in enumerate(edited.splitlines(), start=1) if mark in text)

    found = {(fault.file, fault.line, fault.path): fault.detail for fault in faults_of(folder)}

    place = (str(file), line, broken["path"])
    assert place in found, found
    assert broken["says"] in found[place]


def test_the_small_set_itself_has_no_fault() -> None:
    assert faults_of(HERE / "mini") == []


def test_an_unknown_key_is_told_with_the_one_that_was_probably_meant(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(HERE / "mini", tmp_path / "mini"))
    file = folder / "mini-sprain" / "1.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace("acceptance:", "acceptence:"), encoding="utf-8")

    assert "there is no such field here; did you mean acceptance?" in {fault.detail for fault in faults_of(folder)}


def test_a_file_that_is_not_there_is_a_fault() -> None:
    with pytest.raises(CriteriaFaultsError) as raised:
        load_set(HERE / "mini" / "mini-sprain" / "2.yaml", HERE / "nowhere")

    assert len(raised.value.faults) == 5
    assert "cannot be read (No such file or directory)" in raised.value.faults[0].detail


def test_faults_of_all_files_are_reported_at_once(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(HERE / "mini", tmp_path / "mini"))
    for name in ("catalogue/tests.yaml", "catalogue/sources.yaml", "mini-sprain/1.yaml"):
        file = folder / name
        file.write_text(file.read_text(encoding="utf-8") + "\nspare: *nothing\n", encoding="utf-8")

    assert {Path(fault.file).name for fault in faults_of(folder)} == {"tests.yaml", "sources.yaml", "1.yaml"}
