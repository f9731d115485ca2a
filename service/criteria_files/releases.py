"""Released versions: resolved documents in one line each, and published.sha256, which vouches for them.

published.sha256 is made for `sha256sum --check --strict`, run in its folder. Only what it lists is released; a line
in it never changes.
"""

import json
import re
from pathlib import Path
from typing import Any, NamedTuple

from service.domain.canonical import canonical, digest
from service.domain.errors import CriteriaFaultsError, Fault, ReleasedVersionError, UnknownCriteriaSetError

PUBLISHED = "published.sha256"
ENDING = ".resolved.json"
_LINE = re.compile(r"([0-9a-f]{64})  ([a-z0-9-]+)/([1-9][0-9]*)\.resolved\.json")


class Released(NamedTuple):
    """A released version: whose it is, where it stands, and what it must hash to (`sha256:` and hex)."""

    set_id: str
    version: int
    path: Path
    digest: str


def released(folder: Path) -> list[Released]:
    """Return the released versions of a folder of criteria sets, by set and version.

    Raises:
        UnknownCriteriaSetError: there is no such folder.
        CriteriaFaultsError: published.sha256 has a line that is none.
    """
    if not folder.is_dir():
        message = f"there is no folder {folder}; the service runs from its checkout, where its criteria sets are"
        raise UnknownCriteriaSetError(message)
    listing = folder / PUBLISHED
    if not listing.exists():
        return []
    found: list[Released] = []
    faults: list[Fault] = []
    for position, line in enumerate(listing.read_text(encoding="utf-8").splitlines(), start=1):
        parts = _LINE.fullmatch(line)
        if parts:
            checksum, set_id, version = parts.groups()
            path = folder / set_id / f"{version}{ENDING}"
            found.append(Released(set_id, int(version), path, f"sha256:{checksum}"))
        else:
            detail = "a line has 64 hex digits, two spaces and ID/VERSION.resolved.json; restore it"
            faults.append(Fault(str(listing), position, "#", detail))
    if faults:
        raise CriteriaFaultsError(faults)
    return sorted(found)


def load_released(folder: Path, set_id: str, version: int) -> dict[str, Any]:
    """Return the resolved document of a released version, its digest verified.

    Raises:
        UnknownCriteriaSetError: it is not released.
        ReleasedVersionError: its file is missing or does not match published.sha256.
    """
    versions = released(folder)
    for one in versions:
        if (one.set_id, one.version) == (set_id, version):
            return _verified(one)
    known = ", ".join(f"{one.set_id}/{one.version}" for one in versions) or "none"
    message = f"there is no released criteria set {set_id}/{version}; released are {known}"
    raise UnknownCriteriaSetError(message)


def _verified(one: Released) -> dict[str, Any]:
    if not one.path.exists():
        message = f"{one.path} is missing, which {PUBLISHED} vouches for; restore the released file"
        raise ReleasedVersionError(message)
    text = one.path.read_bytes().decode(errors="replace")
    if digest(text) != one.digest:
        message = f"{one.path} is not what {PUBLISHED} vouches for; restore the released file"
        raise ReleasedVersionError(message)
    document: dict[str, Any] = json.loads(text)
    return document


def misnamed(resolved: dict[str, Any], path: Path) -> str | None:
    """Return what mends a file that is not called as the set and version inside it: ID/VERSION.yaml."""
    set_id, version = resolved["id"], resolved["version"]
    if (path.parent.resolve().name, path.name) == (set_id, f"{version}.yaml"):
        return None
    return f"the document is {set_id}, version {version}; call its file {set_id}/{version}.yaml, or change these"


def differing(resolved: dict[str, Any], path: Path) -> str | None:
    """Return what mends a document that is released with other content.

    Raises:
        CriteriaFaultsError: as `released`.
    """
    set_id, version = resolved["id"], resolved["version"]
    for one in released(path.parent.resolve().parent):
        if (one.set_id, one.version) == (set_id, version) and one.digest != digest(canonical(resolved)):
            return f"{set_id}, version {version}, is released with other content; give the change the next number"
    return None


def write_released(resolved: dict[str, Any], path: Path) -> Path:
    """Write a resolved document beside its YAML file, and its line in published.sha256 a folder above.

    The same content again changes nothing.

    Args:
        resolved: the document of `load_set`.
        path: its file, ID/VERSION.yaml.

    Returns:
        The file written.

    Raises:
        CriteriaFaultsError: the file is not called as the set and version inside it.
        ReleasedVersionError: the version is released with other content.
    """
    set_id, version = resolved["id"], resolved["version"]
    detail = misnamed(resolved, path)
    if detail:
        raise CriteriaFaultsError([Fault(str(path), 1, "#", detail)])
    message = differing(resolved, path)
    if message:
        raise ReleasedVersionError(message)
    text = canonical(resolved)
    folder = path.parent.resolve().parent
    written = path.with_name(f"{version}{ENDING}")
    written.write_bytes(text.encode())
    if (set_id, version) not in {(one.set_id, one.version) for one in released(folder)}:
        _list(folder / PUBLISHED, f"{digest(text).removeprefix('sha256:')}  {set_id}/{version}{ENDING}")
    return written


def _list(listing: Path, line: str) -> None:
    """Add a line; every line that stood there stays as it was."""
    before = listing.read_text(encoding="utf-8") if listing.exists() else ""
    if before and not before.endswith("\n"):
        before += "\n"
    listing.write_text(f"{before}{line}\n", encoding="utf-8", newline="\n")
