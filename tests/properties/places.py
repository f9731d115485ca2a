"""Where the parts of a file of entries stand, and copies of a file with one part changed."""

from collections.abc import Callable, Iterator, Mapping
from copy import deepcopy
from decimal import Decimal
from typing import Any, NamedTuple

Document = dict[str, Any]
LOWER_IS_BETTER = frozenset(
    {"side_hop_time", "figure_of_eight_hop_time", "foot_lifts_eyes_closed", "t_test_time", "pain_worst_24h"}
)
OF_THE_PERSON = frozenset({"pain_worst_24h", "confidence", "t_test_time", "instability_score", "readiness_score"})
FEWEST = {"weight_bearing_lunge_distance": 3, "foot_lifts_eyes_closed": 3, "anterior_reach": 3}


class Place(NamedTuple):
    """One part of a file: the position of its entry and the keys that lead to it inside that."""

    entry: int
    path: tuple[str | int, ...]

    def of(self, document: Mapping[str, Any]) -> Any:
        """Return the part of a file that stands here."""
        found: Any = document["entries"][self.entry]
        for key in self.path:
            found = found[key]
        return found


def changed(document: Document, place: Place, change: Callable[[Any], None]) -> Document:
    """Return a copy of a file in which one part was changed in place."""
    copy = deepcopy(document)
    change(place.of(copy))
    return copy


def bodies(document: Document, *kinds: str) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield the batteries of these kinds (none: of all)."""
    for position, entry in enumerate(document["entries"]):
        body = entry.get("battery")
        if body is not None and (not kinds or body["kind"] in kinds):
            yield Place(position, ("battery",)), body


def own_bodies(document: Document, *kinds: str) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield the batteries of these kinds that belong to the judged episode and count: none voided or superseded."""
    for place, body in bodies(document, *(kinds or ("assessment", "follow_up"))):
        if "episode" not in body and not _is_gone(document, place, body["ref"]):
            yield place, body


def _is_gone(document: Document, place: Place, ref: str) -> bool:
    later = (one for entry in document["entries"][place.entry + 1 :] for one in entry.values())
    return any(ref in (one.get("entry"), one.get("supersedes", {}).get("ref")) for one in later)


def measurements(document: Document) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield what was measured in the judged episode's assessments."""
    for place, body in own_bodies(document, "assessment"):
        for position, one in enumerate(body.get("measurements", ())):
            yield Place(place.entry, ("battery", "measurements", position)), one


def is_involved(document: Document, one: Mapping[str, Any]) -> bool:
    """Tell whether a measurement is of an involved side or of the person."""
    side = document["episode"]["involved_side"]
    return "side" not in one or side in ("both", one["side"])


def involved(document: Document) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield the measurements of involved sides and of the person."""
    return ((place, one) for place, one in measurements(document) if is_involved(document, one))


def sessions(document: Document) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield the sessions told in the judged episode's batteries."""
    for place, body in own_bodies(document):
        for position, one in enumerate(body.get("since_last", {}).get("sessions", ())):
            yield Place(place.entry, ("battery", "since_last", "sessions", position)), one


def valid_trials(one: Mapping[str, Any]) -> list[int]:
    """Return the positions of the valid trials of a measurement."""
    return [place for place, trial in enumerate(one.get("trials", ())) if trial.get("valid", True)]


def leave_unmeasured(one: dict[str, Any], result: str, because: str) -> None:
    """Make a measurement unable, not done or deferred; only what was tried keeps its ratings."""
    lost = ("trials", "value", "trials_summarised", "unit", *(() if result == "unable" else ("pain", "instability")))
    for key in lost:
        one.pop(key, None)
    one.update(result=result, because=because)


def is_stopped(one: Mapping[str, Any]) -> bool:
    """Tell whether a trial, or being unable, ended by pain or giving way."""
    causes = [one.get("because"), *(trial.get("invalid_because") for trial in one.get("trials", ()))]
    return "pain" in causes or "giving_way" in causes


def worst_value(test: str) -> Decimal:
    """Return about the worst value that a test can have."""
    worst = {"pain_worst_24h": 10, "foot_lifts_eyes_closed": 60, "t_test_time": 60}
    return Decimal(worst.get(test, 100 if test in LOWER_IS_BETTER else 0))
