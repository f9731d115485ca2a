"""Stories with one thing changed: what the laws compare with the story as it was."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from copy import deepcopy
from typing import Any

from hypothesis import reject
from hypothesis import strategies as st

from tests.properties.judging import answers
from tests.properties.places import Document, Place, changed, own_bodies, valid_trials
from tests.properties.stories import Story


def pick(data: st.DataObject, places: Iterable[Place]) -> Place:
    """Draw one place, the latest first; a story without one is no example."""
    found = list(places)[::-1]
    return data.draw(st.sampled_from(found), label="where") if found else reject()


def with_change(story: Story, place: Place, change: Callable[[Any], None]) -> Story:
    """Return a story with one part of its file changed in place."""
    return Story(changed(story.document, place, change), story.at)


def with_entries(story: Story, entries: Iterable[Mapping[str, Any]], *, episode: Any = None) -> Story:
    """Return a story of other entries."""
    document = {**story.document, "entries": [deepcopy(dict(entry)) for entry in entries]}
    return Story({**document, "episode": {**document["episode"], **(episode or {})}}, story.at)


def without_tests(story: Story, is_gone: Callable[[dict[str, Any]], bool], refs: set[str] | None = None) -> Story:
    """Return a story without these measurements, in all batteries of the episode or in those of these refs."""
    less = deepcopy(story.document)
    for _, body in own_bodies(less, "assessment"):
        if (refs is None or body["ref"] in refs) and "measurements" in body:
            body["measurements"] = [one for one in body["measurements"] if not is_gone(one)]
    return Story(less, story.at)


def stop_a_trial(data: st.DataObject, one: dict[str, Any], because: str) -> None:
    """Make one valid trial invalid for this cause, its value kept or not."""
    place = data.draw(st.sampled_from(valid_trials(one)[::-1]), label="trial")
    kept = {} if data.draw(st.booleans()) else {"value": one["trials"][place]["value"]}
    one["trials"][place] = {**kept, "valid": False, "invalid_because": because}


def judged_refs(story: Story) -> set[str]:
    """Return the refs of the batteries of the judged occasion."""
    judged = answers(story).evidence.judged
    entries = story.document["entries"]
    return set() if judged is None else {entries[int(key) - 1]["battery"]["ref"] for key in judged.batteries}


def of_judged(story: Story, places: Iterable[tuple[Place, Any]]) -> Iterator[tuple[Place, Any]]:
    """Yield those places that stand in batteries of the judged occasion."""
    refs, entries = judged_refs(story), story.document["entries"]
    return ((place, one) for place, one in places if entries[place.entry]["battery"].get("ref") in refs)


def has_usable_other_side(document: Document) -> bool:
    """Tell whether nothing in the file makes the other side a poor reference."""
    told = [document["episode"], *(entry.get("event", {}) for entry in document["entries"])]
    has_second = any("episode" in entry.get("battery", {}) for entry in document["entries"])
    return not has_second and not any(one.get("other_side") in ("previously_injured", "symptomatic") for one in told)
