"""Which criteria set judges: the one named, a draft's file, or the shipped one for the condition."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.criteria_files.releases import load_released, released
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import AmbiguousCriteriaSetError, UnknownCriteriaSetError
from service.use_cases.reading_entries import battery_bodies

SHIPPED = Path(__file__).resolve().parent.parent.parent / "criteria_sets"

_NAME = re.compile(r"([a-z0-9]+(?:-[a-z0-9]+)*)(?:/([1-9][0-9]{0,5}))?", re.ASCII)
_DRAFT = (".yaml", ".yml")


def catalogue_of(path: Path, folder: Path = SHIPPED) -> Path:
    """Return the folder of the catalogue that a set's file uses: the one beside its own folder, else the shipped one.

    Args:
        path: the set's file, in FOLDER/ID/VERSION.yaml.
        folder: the folder of the shipped sets.
    """
    beside = path.resolve().parent.parent / "catalogue"
    return beside if beside.is_dir() else folder / "catalogue"


def named_set(name: str, *, folder: Path = SHIPPED) -> CriteriaSet:
    """Return a criteria set by name: `ID` (its greatest released version), `ID/VERSION`, or a draft's YAML file.

    Raises:
        UnknownCriteriaSetError: no such set, version or file.
        CriteriaFaultsError: every fault of a draft.
    """
    if name.endswith(_DRAFT):
        path = Path(name)
        if not path.is_file():
            message = f"there is no file {name}; give the path of a draft, or a released set as ID or ID/VERSION"
            raise UnknownCriteriaSetError(message)
        from service.criteria_files.sets import load_set  # noqa: PLC0415 - only a draft needs the YAML reader

        return read_criteria_set(load_set(path, catalogue_of(path, folder)).document)
    parts = _NAME.fullmatch(name)
    if parts is None:
        message = f"{name!r} names no criteria set; give ID, ID/VERSION or the path of a draft's YAML file"
        raise UnknownCriteriaSetError(message)
    set_id, version = parts.groups()
    return _released(set_id, int(version) if version else None, folder)


def chosen_set(file: Mapping[str, Any], *, folder: Path = SHIPPED) -> CriteriaSet:
    """Return the released set that a file of entries is judged by.

    It is the one that the file names, or its last battery that names one; else the one made for its condition.

    Raises:
        UnknownCriteriaSetError: it names none that is released, or none is made for the condition.
        AmbiguousCriteriaSetError: several are made for the condition.
    """
    named = [one for one in (*_bodies(file), file) if "criteria_set" in one or "criteria_version" in one]
    asked = named[-1] if named else {}
    version = asked.get("criteria_version")
    if "criteria_set" in asked:
        return _released(asked["criteria_set"], version, folder)
    condition = file["episode"]["condition"]
    one = _made_for(condition, folder)
    return one if version in (None, one.version) else _released(one.id, version, folder)


def shipped_sets(folder: Path = SHIPPED) -> list[CriteriaSet]:
    """Return the greatest released version of every shipped set."""
    greatest = {one.set_id: one.version for one in released(folder)}
    return [read_criteria_set(load_released(folder, set_id, version)) for set_id, version in greatest.items()]


def _made_for(condition: str, folder: Path) -> CriteriaSet:
    sets = shipped_sets(folder)
    fitting = [one for one in sets if condition in one.conditions]
    if len(fitting) > 1:
        raise AmbiguousCriteriaSetError(condition, [one.id for one in fitting])
    if not fitting:
        known = ", ".join(sorted({name for one in sets for name in one.conditions})) or "none"
        message = f"no released criteria set is made for {condition!r}; there are sets for {known}"
        raise UnknownCriteriaSetError(message)
    return fitting[0]


def _bodies(file: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [body for _, body in battery_bodies(file)]


def _released(set_id: str, version: int | None, folder: Path) -> CriteriaSet:
    """Return a released version, by default the greatest."""
    if version is None:
        found = released(folder)
        versions = [one.version for one in found if one.set_id == set_id]
        if not versions:
            known = ", ".join(dict.fromkeys(one.set_id for one in found)) or "none"
            message = f"there is no released criteria set {set_id!r}; released are {known}"
            raise UnknownCriteriaSetError(message)
        version = max(versions)
    return read_criteria_set(load_released(folder, set_id, version))
