"""Which criteria set judges a file, where the shipped folder holds more than one."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from service.criteria_files import load_set, write_released
from service.domain.errors import AmbiguousCriteriaSetError, UnknownCriteriaSetError
from service.use_cases.choosing import chosen_set, named_set, shipped_sets
from tests import builders
from tests.cli.commands import ROOT

ID, OTHER = "lateral-ankle-sprain", "lateral-ankle-sprain-short"


@pytest.fixture
def sets(tmp_path: Path) -> Path:
    """Two released sets for one condition, and a second version of the first."""
    folder = tmp_path / "criteria_sets"
    shutil.copytree(ROOT / "criteria_sets" / "catalogue", folder / "catalogue")
    text = (ROOT / "criteria_sets" / ID / "1.yaml").read_text(encoding="utf-8")
    for set_id, version in ((ID, 1), (ID, 2), (OTHER, 1)):
        path = folder / set_id / f"{version}.yaml"
        path.parent.mkdir(exist_ok=True)
        changed = text.replace(f"\nid: {ID}\n", f"\nid: {set_id}\n").replace(
            "\nversion: 1\n", f"\nversion: {version}\n"
        )
        path.write_text(changed, encoding="utf-8")
        write_released(load_set(path, folder / "catalogue").document, path)
    return folder


def file(*batteries: dict[str, Any], **named: Any) -> dict[str, Any]:
    return builders.loaded(builders.file(*batteries) | named)


def test_several_sets_for_a_condition_are_named(sets):
    with pytest.raises(AmbiguousCriteriaSetError) as refused:
        chosen_set(file(), folder=sets)

    assert refused.value.sets == (ID, OTHER)


def test_the_greatest_released_version_is_taken(sets):
    assert named_set(ID, folder=sets).version == 2
    assert named_set(f"{ID}/1", folder=sets).version == 1
    assert [(one.id, one.version) for one in shipped_sets(sets)] == [(ID, 2), (OTHER, 1)]


def test_the_file_names_its_set_and_version(sets):
    assert chosen_set(file(criteria_set=ID), folder=sets).version == 2
    assert chosen_set(file(criteria_set=ID, criteria_version=1), folder=sets).version == 1
    assert chosen_set(file(criteria_set=OTHER), folder=sets).id == OTHER


def test_the_last_battery_that_names_a_set_counts_where_the_file_names_none(sets):
    first = builders.battery("KB-1", "2026-11-18T10:00:00+01:00", criteria_set=OTHER, since_last={"events": []})
    second = builders.battery("KB-2", criteria_set=ID)

    assert chosen_set(file(first, second), folder=sets).id == ID


def test_nothing_released_is_said(tmp_path):
    with pytest.raises(UnknownCriteriaSetError, match="there are sets for none"):
        chosen_set(file(), folder=tmp_path)


def test_a_folder_that_is_not_there_is_said(tmp_path):
    for choose in (
        lambda: named_set(ID, folder=tmp_path / "sets"),
        lambda: chosen_set(file(), folder=tmp_path / "sets"),
    ):
        with pytest.raises(UnknownCriteriaSetError, match="there is no folder"):
            choose()


def test_a_released_document_is_read_as_it_was_written(sets):
    written = json.loads((sets / ID / "1.resolved.json").read_bytes())

    assert named_set(f"{ID}/1", folder=sets).document == written
