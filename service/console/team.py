"""The team page: every open episode, what holds it back, and what is due next."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

from flask import Response, request

from service.api.access import caller, context
from service.console.blueprint import blp, page
from service.use_cases.team import read_team

_FAR = date.max
Item = Mapping[str, Any]

SORTS: Mapping[str, tuple[str, Callable[[Item], Any]]] = {
    "due": ("Next date", lambda one: (one["due"]["on"] if one["due"] else _FAR, str(one["athlete_ref"]))),
    "athlete": ("Athlete", lambda one: str(one["athlete_ref"])),
    "stage": ("Position, highest first", lambda one: (-one["place"], str(one["athlete_ref"]))),
    "holds": (
        "Most criteria open",
        lambda one: (-len(one["latest"]["unmet"]) if one["latest"] else 1, one["athlete_ref"]),
    ),
}
SHOWS: Mapping[str, tuple[str, Callable[[Item], bool]]] = {
    "all": ("All", lambda _: True),
    "hold": ("On hold", lambda one: bool(one["latest"]) and one["latest"]["outcome"] == "hold"),
    "pass": ("With a pass", lambda one: bool(one["latest"]) and one["latest"]["outcome"] == "pass"),
    "unsigned": ("Awaiting sign-off", lambda one: bool(one["latest"]) and _awaits(one["latest"])),
    "overdue": ("Overdue", lambda one: bool(one["due"]) and one["due"]["overdue"]),
    "finding": ("Finding open", lambda one: bool(one["open_findings"])),
    "step_back": ("Step back proposed", lambda one: bool(one["step_back"])),
}


@blp.get("/team")
def team() -> Response:
    """Show the team, sorted, filtered and searched as the address says; what it does not know is left out."""
    found = read_team(context(), caller())
    search = request.args.get("search", "").strip()
    sort = _known(request.args.get("sort"), SORTS, "due")
    show = _known(request.args.get("show"), SHOWS, "all")
    fits = [
        one for one in found["items"] if SHOWS[show][1](one) and search.casefold() in str(one["athlete_ref"]).casefold()
    ]
    return page(
        "console/team.html",
        items=sorted(fits, key=SORTS[sort][1]),
        everybody=len(found["items"]),
        cautions=found["cautions"],
        sorts=SORTS,
        shows=SHOWS,
        asked={"sort": sort, "show": show, "search": search},
    )


def _known(asked: str | None, choices: Mapping[str, Any], usual: str) -> str:
    return asked if asked is not None and asked in choices else usual


def _awaits(latest: Item) -> bool:
    return bool(latest["standing"]["state"] == "standing" and latest["standing"]["awaiting_sign_off"])
