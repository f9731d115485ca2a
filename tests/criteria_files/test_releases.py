"""Released versions: one line of canonical JSON each, vouched for by published.sha256, never changed."""

import hashlib
import shutil
from pathlib import Path

import pytest

from service.criteria_files import differing, load_released, load_set, released, write_released
from service.domain.errors import CriteriaFaultsError, ReleasedVersionError, UnknownCriteriaSetError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(Path(__file__).parent / "mini", tmp_path / "criteria_sets"))


def release(folder: Path, version: int = 1) -> Path:
    path = folder / "mini-sprain" / f"{version}.yaml"
    return write_released(load_set(path, folder / "catalogue").document, path)


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_release_is_one_line_of_json_and_one_line_in_the_list(folder: Path) -> None:
    written = release(folder)

    content = written.read_bytes()
    assert written == folder / "mini-sprain" / "1.resolved.json"
    assert b"\n" not in content
    listed = (folder / "published.sha256").read_text(encoding="utf-8")
    assert listed == f"{hashlib.sha256(content).hexdigest()}  mini-sprain/1.resolved.json\n"


def test_what_is_written_is_read_back(folder: Path) -> None:
    release(folder)

    (one,) = released(folder)
    assert (one.set_id, one.version, one.path) == ("mini-sprain", 1, folder / "mini-sprain" / "1.resolved.json")
    document = load_set(folder / "mini-sprain" / "1.yaml", folder / "catalogue").document
    assert load_released(folder, "mini-sprain", 1) == document


def test_releasing_the_same_again_changes_nothing(folder: Path) -> None:
    release(folder)
    before = (folder / "published.sha256").read_bytes()

    release(folder)

    assert (folder / "published.sha256").read_bytes() == before


def test_a_release_whose_file_was_lost_is_written_again(folder: Path) -> None:
    release(folder).unlink()

    assert release(folder).exists()
    assert load_released(folder, "mini-sprain", 1)["version"] == 1


def test_a_released_version_cannot_change(folder: Path) -> None:
    before = release(folder).read_bytes()
    edit(folder / "mini-sprain" / "1.yaml", "at_most: 1.50 cm", "at_most: 2 cm")

    with pytest.raises(ReleasedVersionError, match="give the change the next number"):
        release(folder)

    assert (folder / "mini-sprain" / "1.resolved.json").read_bytes() == before


def test_the_next_version_is_added_below_and_lines_stay_as_they_are(folder: Path) -> None:
    release(folder)
    listing = folder / "published.sha256"
    listing.write_text(listing.read_text(encoding="utf-8").rstrip("\n"), encoding="utf-8")
    before = listing.read_text(encoding="utf-8")
    shutil.copy(folder / "mini-sprain" / "1.yaml", folder / "mini-sprain" / "2.yaml")
    edit(folder / "mini-sprain" / "2.yaml", "version: 1", "version: 2")

    release(folder, 2)

    assert listing.read_text(encoding="utf-8").startswith(f"{before}\n")
    assert [(one.set_id, one.version) for one in released(folder)] == [("mini-sprain", 1), ("mini-sprain", 2)]


def test_a_file_must_be_called_as_what_it_holds(folder: Path) -> None:
    edit(folder / "mini-sprain" / "1.yaml", "version: 1", "version: 2")

    with pytest.raises(CriteriaFaultsError) as raised:
        release(folder)

    assert "call its file mini-sprain/2.yaml" in raised.value.faults[0].detail
    assert not (folder / "published.sha256").exists()


def test_a_changed_file_is_not_served(folder: Path) -> None:
    edit(release(folder), "A small set", "A smaller set")

    with pytest.raises(ReleasedVersionError, match="restore the released file"):
        load_released(folder, "mini-sprain", 1)


def test_a_lost_file_is_not_served(folder: Path) -> None:
    release(folder).unlink()

    with pytest.raises(ReleasedVersionError, match=r"is missing.*restore the released file"):
        load_released(folder, "mini-sprain", 1)


def test_what_is_not_listed_is_not_released(folder: Path) -> None:
    assert released(folder) == []
    release(folder)

    with pytest.raises(UnknownCriteriaSetError, match="released are mini-sprain/1"):
        load_released(folder, "mini-sprain", 2)


@pytest.mark.parametrize("line", ["nothing", "0" * 64 + " mini-sprain/1.resolved.json", "", "../" * 3])
def test_a_broken_line_of_the_list_is_a_fault(folder: Path, line: str) -> None:
    release(folder)
    listing = folder / "published.sha256"
    listing.write_text(listing.read_text(encoding="utf-8") + line + "\n", encoding="utf-8")

    with pytest.raises(CriteriaFaultsError) as raised:
        released(folder)

    assert raised.value.faults[0].line == 2


def test_a_document_that_differs_from_the_released_one_is_told(folder: Path) -> None:
    path = folder / "mini-sprain" / "1.yaml"
    release(folder)
    same = differing(load_set(path, folder / "catalogue").document, path)
    edit(path, "at_most: 1.50 cm", "at_most: 2 cm")

    assert same is None
    assert "give the change the next number" in str(differing(load_set(path, folder / "catalogue").document, path))
