"""How the criteria of a set hang together: groups, routes, stages, and numbers that must be in order."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from schemas.strict_yaml import Place
from service.criteria_files.amounts import misfit
from service.criteria_files.draft import ROUTES, Criterion, Draft, is_group, is_only_shown, parts
from service.criteria_files.reading import unknown
from service.domain.units import PER_CENT

Found = Iterator[tuple[Place, str]]

ORDERED: tuple[tuple[Place, str, str], ...] = (
    (("pain_rule", "during"), "step_up", "stay"),
    (("pain_rule", "next_morning_rise"), "step_up", "stay"),
    (("follow_up",), "after_days", "within_days"),
    (("retest", "bounds"), "earliest_days", "latest_days"),
    (("scope", "age"), "at_least", "at_most"),
)


def structure_faults(draft: Draft) -> Found:
    """Give every fault of groups, routes, stages and the set's own numbers."""
    for name, criterion in draft.criteria.items():
        yield from _at(("criteria", name), _group_faults(draft, criterion))
        yield from _at(("criteria", name), _route_faults(draft, name, criterion))
    for position, stage in enumerate(draft.document["stages"]):
        yield from _at(("stages", position), _stage_faults(draft, stage))
    yield from _unused(draft)
    yield from _repeated(draft.document, "stages")
    yield from _repeated(draft.document, "referral")
    yield from _order_faults(draft.document)
    mend = misfit(draft.document["sides_check"]["index"], PER_CENT)
    if mend:
        yield ("sides_check", "index"), mend


def _at(place: Place, found: Found) -> Found:
    return (((*place, *below), detail) for below, detail in found)


def _group_faults(draft: Draft, group: Criterion) -> Found:
    for key in ("all", "any"):
        for position, part in enumerate(group.get(key, ())):
            detail = _part_fault(draft, part)
            if detail:
                yield (key, position), detail
        for position, part in _second(group.get(key, ())):
            yield (key, position), f"{part} stands twice in this group; keep one"
    if group.get("needed", 0) > len(group.get("any", parts(group))):
        yield ("needed",), f"the group has {len(parts(group))} parts and cannot need {group['needed']}; lower it"


def _part_fault(draft: Draft, name: str) -> str | None:
    if name not in draft.criteria:
        return unknown("criterion", name, draft.criteria)
    part = draft.criteria[name]
    if is_group(part):
        return f"{name} is a group itself; a group in a group is not read, so name plain criteria"
    if is_only_shown(part):
        return f"{name} is only shown and has no threshold; give it one, or take it out of the group"
    for route in ROUTES:
        if route in part:
            return f"{name} has a route ({route}), which is not followed in a group; give the route to the group"
    return None


def _route_faults(draft: Draft, name: str, criterion: Criterion) -> Found:
    for route in ROUTES:
        if route in criterion:
            detail = _target_fault(draft, name, criterion[route])
            if detail:
                yield (route,), detail


def _target_fault(draft: Draft, name: str, target: str) -> str | None:
    if target not in draft.criteria:
        return unknown("criterion", target, draft.criteria)
    if target == name:
        return "the route leads back to its own criterion, a circle; name another criterion"
    criterion = draft.criteria[target]
    if is_only_shown(criterion):
        return f"{target} is only shown and has no threshold; name a criterion that has one"
    for route in ROUTES:
        if criterion.get(route) == name:
            return f"{target} leads back here by {route}, a circle; take one of the two routes out"
        if route in criterion:
            return f"{target} has a route of its own ({route}), which would not be followed; take it out there"
    return None


def _stage_faults(draft: Draft, stage: dict[str, Any]) -> Found:
    for key in ("asks", "shows"):
        for position, name in enumerate(stage.get(key, ())):
            if name not in draft.criteria:
                yield (key, position), unknown("criterion", name, draft.criteria)
            elif key == "asks" and is_only_shown(draft.criteria[name]):
                yield (key, position), f"{name} has no threshold; give it a comparator, or name it under shows"
            elif key == "shows" and is_group(draft.criteria[name]):
                yield (key, position), f"{name} is a group and has no figure to show; name its parts"
        for position, name in _second(stage.get(key, ())):
            yield (key, position), f"{name} stands twice; keep one"
    for position, name in enumerate(stage.get("shows", ())):
        if name in stage["asks"]:
            yield ("shows", position), f"{name} is asked at this stage too; keep it under asks alone"


def _second(names: Sequence[str]) -> Iterator[tuple[int, str]]:
    """Give the names that stood before, with their positions."""
    seen: set[str] = set()
    for position, name in enumerate(names):
        if name in seen:
            yield position, name
        seen.add(name)


def _unused(draft: Draft) -> Found:
    named = [name for stage in draft.document["stages"] for name in (*stage["asks"], *stage.get("shows", ()))]
    used = draft.reached(named)
    for name in draft.criteria:
        if name not in used:
            detail = (
                "no stage asks or shows this criterion, nor does a group or a route lead to it; use it or take it out"
            )
            yield ("criteria", name), detail


def _repeated(document: dict[str, Any], key: str) -> Found:
    seen: Counter[str] = Counter()
    for position, entry in enumerate(document[key]):
        seen[entry["id"]] += 1
        if seen[entry["id"]] > 1:
            yield (key, position, "id"), f"{entry['id']} stands twice under {key}; give each its own id"


def _order_faults(document: dict[str, Any]) -> Found:
    for place, low, high in ORDERED:
        found: Any = document
        for key in place:
            found = found.get(key, {})
        if low in found and high in found and found[low] > found[high]:
            yield (*place, low), f"{low} is more than {high}; put them in order"
