"""The text of a criteria set as people write it: copied under another name, and checked without leaving a trace."""

import re
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from schemas.strict_yaml import read_yaml
from service.criteria_files import load_set
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.domain.errors import CriteriaFaultsError, Fault
from service.use_cases.check_criteria import Checked, check_criteria
from service.use_cases.choosing import SHIPPED

# Each value is read, and each unknown name is compared with the known ones; so a text of many values keeps the check
# busy for long. The shipped set has 2,300 in its source and 12,000 in its examples, counted as below.
MOST_VALUES = {"source": 10_000, "examples": 40_000}
MOST_SECONDS = 30.0

_UNREADABLE = re.compile("[\0\ud800-\udfff]")
_LINE = r"^{key}:[ \t]+[^\s#]+"


class Text(NamedTuple):
    """What people wrote: the source of a set and its examples, as YAML."""

    source: str
    examples: str


class Named(NamedTuple):
    """A version or a draft of a set by its name."""

    set_id: str
    version: int

    def __str__(self) -> str:
        """Return what people call it: `lateral-ankle-sprain/1`."""
        return f"{self.set_id}/{self.version}"


def named(source: str) -> Named | None:
    """Return the set and the version that a source says it is, or None where it does not say so."""
    match _value(source):
        case {"id": str(set_id), "version": int(version)} if not isinstance(version, bool):
            return Named(set_id, version)
        case _:
            return None


def renamed(source: str, name: Named) -> str:
    """Return a source as that of another set and version; every other line stays, comments too.

    Raises:
        CriteriaFaultsError: it can't be done line by line.
    """
    changed = source
    for key, value in (("id", name.set_id), ("version", str(name.version))):
        changed = re.sub(_LINE.format(key=key), f"{key}: {value}", changed, count=1, flags=re.MULTILINE)
    wanted = _value(source) | {"id": name.set_id, "version": name.version}
    if _value(changed) != wanted:
        detail = "id and version do not stand on lines of their own (id: my-set); send the changed source instead"
        raise CriteriaFaultsError([Fault("source", 1, "#", detail)])
    return changed


def _value(source: str) -> dict[str, Any]:
    if _values(source) > MOST_VALUES["source"]:
        return {}
    document, _ = read_yaml(source.encode(errors="replace"))
    return document.value if document is not None and isinstance(document.value, dict) else {}


def check_text(text: Text, name: Named, *, shipped: Path = SHIPPED) -> Checked:
    """Return the set of a text that has passed its check; faults and warnings name `ID/VERSION.yaml`.

    Args:
        text: the source and its examples.
        name: the set and version that it should be.
        shipped: the folder of the shipped sets, whose catalogue is used.

    Raises:
        CriteriaFaultsError: every fault that the check finds.
    """
    with _laid_out(text, name, shipped) as (path, shown):
        latest = time.monotonic() + MOST_SECONDS
        checked = check_criteria(path, shipped / "catalogue", is_late=lambda: time.monotonic() > latest)
    return Checked(checked.criteria, shown(checked.warnings), checked.examples, checked.expectations)


def read_text(text: Text, name: Named, *, shipped: Path = SHIPPED) -> CriteriaSet:
    """Return the set of a text whose examples nobody looks at: enough to try it on a battery.

    Raises:
        CriteriaFaultsError: every fault of the set itself.
    """
    with _laid_out(text, name, shipped) as (path, _):
        return read_criteria_set(load_set(path, shipped / "catalogue").document)


Shown = Callable[[tuple[Fault, ...]], tuple[Fault, ...]]


@contextmanager
def _laid_out(text: Text, name: Named, shipped: Path) -> Iterator[tuple[Path, Shown]]:
    """Give the file of a text, which goes with the block, and what takes this machine's folders out of faults."""
    with tempfile.TemporaryDirectory(prefix="rts-check-") as made:
        folder = Path(made).resolve()
        path = folder / name.set_id / f"{name.version}.yaml"
        path.parent.mkdir()
        path.write_bytes(text.source.encode(errors="replace"))
        beside = path.with_name(f"{name.version}.examples.yaml")
        beside.write_bytes(text.examples.encode(errors="replace"))
        places = {str(folder): "", str(shipped.resolve()): "", str(shipped): ""}
        try:
            _refuse_more_than_can_be_checked(text, path, beside)
            yield path, lambda faults: _without_places(faults, places)
        except CriteriaFaultsError as error:
            raise CriteriaFaultsError(
                _without_places(error.faults, places), warnings=_without_places(error.warnings, places)
            ) from None


def _refuse_more_than_can_be_checked(text: Text, path: Path, beside: Path) -> None:
    """Refuse what would keep the check busy for long, before it starts."""
    for kind, content, file in (("source", text.source, path), ("examples", text.examples, beside)):
        most = MOST_VALUES[kind]
        if _values(content) > most:
            detail = f"the text has more than {most} values, which is more than is checked here; shorten it"
            raise CriteriaFaultsError([Fault(str(file), 1, "#", detail)])
        if _UNREADABLE.search(content):
            detail = "the text holds half of a character (a lone surrogate) or U+0000; take it out"
            raise CriteriaFaultsError([Fault(str(file), 1, "#", detail)])


def _values(content: str) -> int:
    """Return how many values a text has at most: each begins after a line's end or a mark."""
    return sum(content.count(mark) for mark in ("\n", ":", ",", "- ", "[", "{"))


def _without_places(faults: tuple[Fault, ...], places: dict[str, str]) -> tuple[Fault, ...]:
    """Return faults that name no folder of this machine."""
    return tuple(one._replace(file=_shown(one.file, places), detail=_shown(one.detail, places)) for one in faults)


def _shown(said: str, places: dict[str, str]) -> str:
    for place, instead in places.items():
        said = said.replace(f"{place}/", instead)
    return said
