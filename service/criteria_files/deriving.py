"""How an example that starts from another is made: a change laid over a file of entries."""

from collections.abc import Iterator, Sequence
from typing import Any

from schemas.strict_yaml import Place

Document = dict[str, Any]

BATTERY = "battery"
TOP = ("athlete", "episode")
OWN = (*TOP, "measurements", "without", "before", "then")
MEASURED = "measured"
FIGURES = ("trials", "value", "trials_summarised")


def misfits(base: Document, change: Document) -> Iterator[tuple[Place, str]]:
    """Give what the change wants of a base that has it not: nothing to change, nothing to leave out."""
    position = _last_battery(base["entries"])
    if position is None:
        yield (), "the example that this one starts from has no battery to change; start from another"
        return
    measurements = base["entries"][position][BATTERY].get("measurements", [])
    for index, name in enumerate(change.get("without", ())):
        if not any(_is_named(measurement, name) for measurement in measurements):
            yield ("without", index), f"the last battery has no measurement {name} to leave out; take the name out"


def derive(base: Document, change: Document) -> Document:
    """Return the athlete, episode and entries of a base with a change laid over its last battery.

    Neither argument is changed. What the base must have for it: see `misfits`.
    """
    position = _last_battery(base["entries"])
    entries = list(base["entries"])
    if position is not None:
        battery = {BATTERY: _changed_battery(entries[position][BATTERY], change)}
        entries[position : position + 1] = [*change.get("before", ()), battery]
    top = {key: merged(base[key], change.get(key, {})) for key in TOP}
    return {**top, "entries": [*entries, *change.get("then", ())]}


def merged(below: Any, above: Any) -> Any:
    """Return one value laid over another: maps merge key by key, null removes, all else replaces.

    >>> merged({"a": 1, "b": {"c": 2, "d": 3}}, {"a": None, "b": {"c": 4}})
    {'b': {'c': 4, 'd': 3}}
    """
    if not isinstance(above, dict):
        return above
    under = below if isinstance(below, dict) else {}
    whole = {key: merged(under.get(key), value) for key, value in above.items() if value is not None}
    return {key: whole.get(key, under.get(key)) for key in (*under, *whole) if above.get(key, "kept") is not None}


def _last_battery(entries: Sequence[Document]) -> int | None:
    positions = [position for position, entry in enumerate(entries) if BATTERY in entry]
    return positions[-1] if positions else None


def _changed_battery(battery: Document, change: Document) -> Document:
    kept = [
        measurement
        for measurement in battery.get("measurements", ())
        if not any(_is_named(measurement, name) for name in change.get("without", ()))
    ]
    for overlay in change.get("measurements", ()):
        kept = _with(kept, overlay)
    changed: Document = merged(battery, {key: value for key, value in change.items() if key not in OWN})
    return {**changed, "measurements": kept} if kept or "measurements" in battery else changed


def _is_named(measurement: Document, name: str) -> bool:
    """Tell whether a measurement is of the test, or of the test and side, so named."""
    test, _, side = name.partition("/")
    return measurement.get("test") == test and (not side or measurement.get("side") == side)


def _with(measurements: list[Document], overlay: Document) -> list[Document]:
    """Return the measurements with one laid over the one of its test and side, or added where there is none."""
    key = _key(overlay)
    if not any(_key(measurement) == key for measurement in measurements):
        return [*measurements, merged({}, overlay)]
    return [_laid_over(one, overlay) if _key(one) == key else one for one in measurements]


def _key(measurement: Document) -> tuple[Any, Any]:
    return measurement.get("test"), measurement.get("side")


def _laid_over(measurement: Document, overlay: Document) -> Document:
    """Lay a measurement over another; figures that the overlay contradicts go."""
    gone: set[str] = set()
    if overlay.get("result", MEASURED) != MEASURED:
        gone = set(FIGURES)
    elif "trials" in overlay:
        gone = {"value", "trials_summarised"}
    elif "value" in overlay:
        gone = {"trials"}
    kept = {key: value for key, value in measurement.items() if key not in gone}
    laid: Document = merged(kept, overlay)
    return laid
