"""The team page: every open episode, what holds it back, and what is due next."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from flask import Response, request

from schemas.fields import composed
from service.api.access import caller, context
from service.console.blueprint import blp, page
from service.console.filtering import FAULTY, SORT, asked_in_vain, asked_of
from service.domain.codes import HOLD_RANK
from service.use_cases.team import read_team

SEARCH, SHOW, STAGE = "search", "show", "stage"
ANY, NOT_SET = "any", "not_set"
_FAR = date.max
_ALL_MET = len(HOLD_RANK)
Item = Mapping[str, Any]

SORTS: Mapping[str, tuple[str, Callable[[Item], Any]]] = {
    "due": ("Next date", lambda one: one["due"]["on"] if one["due"] else _FAR),
    "holds": ("What holds", lambda one: _rank(one["latest"])),
    "athlete": ("Athlete", lambda _: 0),
    "stage": ("Position, highest first", lambda one: -one["place"]),
}
"""By what the lines are sorted; those that are alike, by the athlete's ref."""

SHOWS: Mapping[str, tuple[str, Callable[[Item], bool]]] = {
    "all": ("All", lambda _: True),
    "hold": ("On hold", lambda one: _is_outcome(one, "hold")),
    "pass": ("With a pass", lambda one: _is_outcome(one, "pass")),
    "undecided": ("Without a decision", lambda one: one["latest"] is None),
    "unsigned": ("Awaiting sign-off", lambda one: bool(one["latest"]) and _awaits(one["latest"])),
    "overdue": ("Overdue", lambda one: bool(one["due"]) and one["due"]["overdue"]),
    "finding": ("Finding open", lambda one: bool(one["open_findings"])),
    "step_back": ("Step back proposed", lambda one: bool(one["step_back"])),
}


@blp.get("/team")
def team() -> Response:
    """Show the team, sorted, filtered and searched as the address says."""
    found = read_team(context(), caller())
    stages = {ANY: "Any", **found["stages"], NOT_SET: "Not set"}
    choices: Mapping[str, Mapping[str, Any]] = {SHOW: SHOWS, STAGE: stages, SORT: SORTS}
    in_vain = asked_in_vain(choices, (SEARCH,))
    asked = asked_of(choices) | {SEARCH: composed(request.args.get(SEARCH, ""))}
    fits = [one for one in found["items"] if _fits(one, asked)]
    return page(
        "console/team.html",
        FAULTY if in_vain else 200,
        items=sorted(fits, key=lambda one: (SORTS[asked[SORT]][1](one), one["athlete_ref"] or "")),
        everybody=len(found["items"]),
        cautions=found["cautions"],
        sorts=SORTS,
        shows=SHOWS,
        stages=stages,
        asked=asked,
        in_vain=in_vain,
    )


def _fits(one: Item, asked: Mapping[str, str]) -> bool:
    is_at_stage = asked[STAGE] == ANY or asked[STAGE] == (one["stage"] or NOT_SET)
    is_named = asked[SEARCH].casefold() in (one["athlete_ref"] or "").casefold()
    return is_at_stage and is_named and SHOWS[asked[SHOW]][1](one)


def _rank(latest: Item | None) -> tuple[int, int]:
    """Return where what holds stands: the gravest kind first, then the most criteria unmet."""
    if latest is None:
        return _ALL_MET + 1, 0
    return min((HOLD_RANK[kind] for kind in latest["hold_because"]), default=_ALL_MET), -latest["unmet"]


def _is_outcome(one: Item, outcome: str) -> bool:
    return bool(one["latest"]) and one["latest"]["outcome"] == outcome


def _awaits(latest: Item) -> bool:
    return bool(latest["standing"]["state"] == "standing" and latest["standing"]["awaiting_sign_off"])
