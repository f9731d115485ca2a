"""`criteria check` and `criteria resolve` tell everything at once, and a released version never changes."""

import shutil
from pathlib import Path

import pytest

from tests.cli.commands import ROOT, SET, run
from tests.tiny_set import shipping

ID, TINY = "lateral-ankle-sprain", "tiny-sprain"


@pytest.fixture
def sets(tmp_path: Path) -> Path:
    """A copy of the criteria sets in which nothing is released."""
    folder = tmp_path / "criteria_sets"
    unreleased = shutil.ignore_patterns("*.resolved.json", "published.sha256")
    shutil.copytree(ROOT / "criteria_sets", folder, ignore=unreleased)
    return folder


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    """A set whose examples are judged at once, unreleased."""
    folder = shipping(tmp_path / "tiny") / TINY
    (folder / "1.resolved.json").unlink()
    (folder.parent / "published.sha256").unlink()
    return folder


def changed(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_sound_set_is_exit_code_0_with_its_warnings_and_counts(capsys):
    ran = run(capsys, "criteria", "check", SET / "1.yaml")

    *warnings, last = ran.out.splitlines()
    assert ran.code == 0
    assert warnings
    assert all(": warning: " in line for line in warnings)
    assert f"no faults, {len(warnings)} warnings; " in last
    assert "expectations, all met" in last


def test_a_released_version_that_was_changed_is_a_warning(capsys, tiny):
    run(capsys, "criteria", "resolve", tiny / "1.yaml")
    changed(tiny / "1.yaml", "title: A tiny set\n", "title: Another title\n")

    ran = run(capsys, "criteria", "check", tiny)
    assert ran.code == 0
    assert f"1.yaml:3 #/version: warning: {TINY}, version 1, is released with other content; give the change" in ran.out


@pytest.mark.parametrize(("name", "place"), [(f"{ID}/2", "version"), ("other/1", "id")])
def test_a_file_not_called_as_what_it_holds_is_a_fault(capsys, sets, name, place):
    (sets / "other").mkdir()
    for ending in (".yaml", ".examples.yaml"):
        shutil.move(sets / ID / f"1{ending}", sets / f"{name}{ending}")
    changed(
        sets / f"{name}.examples.yaml",
        "stage: running, outcome: pass, holds: [], reasons",
        "stage: runing, outcome: pass, reasons",
    )

    ran = run(capsys, "criteria", "check", sets / f"{name}.yaml")
    assert ran.code == 2
    assert f" #/{place}: the document is {ID}, version 1; call its file {ID}/1.yaml" in ran.out
    assert "did you mean running?" in ran.out


def test_a_stage_that_is_none_is_a_fault_of_its_example_and_all_others_are_told_too(capsys, sets):
    file = sets / ID / "1.examples.yaml"
    before = file.read_text(encoding="utf-8")
    wrong = "- id: nowhere\n  title: none\n  from: rebuild-pass\n  expect: [{stage: runing, outcome: pass}]\n"
    file.write_text(before + wrong, encoding="utf-8")
    changed(sets / ID / "1.yaml", "at_least: 80 %", "at_least: 99 %")

    ran = run(capsys, "criteria", "check", sets / ID / "1.yaml")
    assert ran.code == 2
    line, place = len(before.splitlines()) + 4, before.count("\n- id: ")
    assert f"{file}:{line} #/{place}/expect/0/stage: there is no stage 'runing'; did you mean running?" in ran.out
    assert "the engine answers" in ran.out


def test_a_folder_means_every_version_in_it(capsys, tiny):
    for name in ("1.yaml", "1.examples.yaml"):
        shutil.copy(tiny / name, tiny / name.replace("1", "2", 1))
    changed(tiny / "2.yaml", "version: 1\n", "version: 2\n")

    ran = run(capsys, "criteria", "check", tiny)
    assert ran.code == 0
    assert ran.out.count("no faults") == 2
    assert f"{tiny / '1.yaml'}: " in ran.out
    assert f"{tiny / '2.yaml'}: " in ran.out


def test_faults_are_exit_code_2_each_with_file_line_path_and_mend(capsys, sets):
    file = sets / ID / "1.yaml"
    changed(file, "test: evertor_strength", "test: evertor_power")
    changed(file, "at_most: 1.5 cm", "at_most: 1.5 kg")

    ran = run(capsys, "criteria", "check", file)
    assert ran.code == 2
    assert ran.err == ""
    lines = file.read_text(encoding="utf-8").splitlines()
    at = next(number for number, line in enumerate(lines, start=1) if "evertor_power" in line)
    assert f"{file}:{at} #/criteria/eversion-symmetry/test: there is no test 'evertor_power'" in ran.out
    assert "#/criteria/lunge-symmetry/at_most: " in ran.out


def test_a_failing_example_is_a_fault_and_the_warnings_are_told_too(capsys, sets):
    changed(sets / ID / "1.yaml", "at_least: 80 %", "at_least: 99 %")

    ran = run(capsys, "criteria", "check", sets / ID / "1.yaml")
    assert ran.code == 2
    assert f"{sets / ID / '1.examples.yaml'}:" in ran.out
    assert "the engine answers" in ran.out
    assert ": warning: " in ran.out


def test_broken_examples_are_told_with_the_warnings(capsys, sets):
    (sets / ID / "1.examples.yaml").write_text("- id: alone\n", encoding="utf-8")
    broken = run(capsys, "criteria", "check", sets / ID / "1.yaml")
    (sets / ID / "1.examples.yaml").unlink()
    none = run(capsys, "criteria", "check", sets / ID / "1.yaml")

    assert (broken.code, none.code) == (2, 2)
    assert ": warning: " in broken.out
    assert "a set has examples beside it" in none.out


@pytest.mark.parametrize("command", ["check", "resolve"])
def test_a_file_that_is_not_there_is_refused(capsys, tmp_path, command):
    ran = run(capsys, "criteria", command, tmp_path / "1.yaml")

    assert ran.code == 2
    assert "No such file or directory" in ran.out + ran.err


def test_a_folder_without_sets_is_refused(capsys, tmp_path):
    ran = run(capsys, "criteria", "check", tmp_path)

    assert ran.code == 2
    assert "holds no criteria set" in ran.err


def test_resolving_writes_the_document_and_its_line_and_twice_changes_nothing(capsys, tiny):
    line = tiny.parent / "published.sha256"
    first = run(capsys, "criteria", "resolve", tiny / "1.yaml")
    written = {path: path.read_bytes() for path in (line, tiny / "1.resolved.json")}
    second = run(capsys, "criteria", "resolve", tiny / "1.yaml")

    assert (first.code, second.code) == (0, 0)
    assert f"{tiny / '1.resolved.json'}: sha256:" in first.out
    assert all(path.read_bytes() == content for path, content in written.items())
    assert written[line].count(b"\n") == 1


def test_a_released_version_is_never_changed(capsys, tiny):
    run(capsys, "criteria", "resolve", tiny / "1.yaml")
    before = (tiny / "1.resolved.json").read_bytes()
    changed(tiny / "1.yaml", "title: A tiny set\n", "title: Another title\n")

    ran = run(capsys, "criteria", "resolve", tiny / "1.yaml")
    assert ran.code == 2
    assert "give the change the next number" in ran.err
    assert (tiny / "1.resolved.json").read_bytes() == before


def test_a_set_with_faults_is_not_released(capsys, sets):
    changed(sets / ID / "1.yaml", "at_least: 80 %", "at_least: 99 %")

    ran = run(capsys, "criteria", "resolve", sets / ID / "1.yaml")
    assert ran.code == 2
    assert "the engine answers" in ran.err
    assert not (sets / "published.sha256").exists()


def test_one_version_is_released_at_a_time(capsys, sets):
    assert "one version is released at a time" in run(capsys, "criteria", "resolve", sets / ID).err


def test_a_draft_alone_uses_the_shipped_catalogue(capsys, tmp_path):
    folder = tmp_path / ID
    folder.mkdir()
    for name in ("1.yaml", "1.examples.yaml"):
        shutil.copy(SET / name, folder)

    ran = run(capsys, "criteria", "check", folder)
    assert ran.code == 0
    assert "no catalogue stands beside its folder, so the shipped one was read" in ran.out
