"""A battery on record as it was sent: figures as they are kept, refs and tester beside them, and what became of it."""

from collections.abc import Callable, Mapping
from typing import Any

from service.domain.chain import Link
from service.domain.errors import NotFoundError
from service.store import entries, history, people
from service.store.database import Tx
from service.use_cases.brief_decisions import briefs, today_of
from service.use_cases.context import Caller, Context
from service.use_cases.reads import Seen, sees_all, watched

BATTERY = "battery"
_SENT = ("occasion", "performed_at", "session_check", "referral", "since_last", "setup", "measurements", "confirmed")
_NAMED = ("follows", "supersedes")


def show_battery(context: Context, caller: Caller, id_: str) -> dict[str, Any]:
    """Return a battery with the decisions made of it.

    Raises:
        NotFoundError: there is none, or a submitter asks for another's post.
    """
    return _shown(context, caller, lambda _tx: id_, id_)


def find_battery(context: Context, caller: Caller, ref: str, revision: int | None = None) -> dict[str, Any]:
    """Return the battery of a ref: its latest revision, or the one asked for.

    Raises:
        NotFoundError: there is none, or a submitter asks for another's post.
    """

    def id_of(tx: Tx) -> str | None:
        found = people.batteries_of_ref(tx, caller.organisation, ref)
        return next((row.id for row in found if revision in (None, row.revision)), None)

    return _shown(context, caller, id_of, ref)


def _shown(context: Context, caller: Caller, id_of: Callable[[Tx], str | None], name: str) -> dict[str, Any]:
    today = today_of(context, caller)

    def read(tx: Tx) -> Seen:
        id_ = id_of(tx)
        answer = None if id_ is None else battery_view(tx, caller, id_)
        if answer is None:
            raise NotFoundError(BATTERY, name)
        made = briefs(tx, caller, history.of_battery(tx, caller.organisation, answer["id"]), today)
        return Seen(answer | made, answer["id"], answer["athlete_id"])

    return watched(context, caller, read, action="read_battery", kind=BATTERY)


def battery_view(tx: Tx, caller: Caller, id_: str) -> dict[str, Any] | None:
    """Return a battery as it was sent, None where there is none that the caller may see."""
    row = people.battery(tx, caller.organisation, id_)
    if row is None or not (sees_all(caller) or row.posted_by == caller.actor):
        return None
    link = entries.find(tx, caller.organisation, id_)
    assert link is not None, "a battery's row names its entry"
    newer = people.superseding(tx, caller.organisation, id_)
    return {
        "id": link.id,
        "athlete_id": link.athlete,
        "episode_id": link.episode,
        "state": row.state,
        "superseded_by": newer,
        "revision": row.revision,
        "created": link.content.get("created", []),
        "posted_by": row.posted_by,
        "recorded_at": link.recorded_at,
        "performed_on": link.occurred_on.isoformat(),
        "digest": link.digest,
        "battery": as_sent(link),
    }


def as_sent(link: Link) -> dict[str, Any]:
    """Return a battery in the shape in which it is posted.

    Figures are text as the record keeps them, batteries that it names are told by our ids, and the facts of the
    episode are those that were in force.
    """
    kept, told = link.content, link.people
    sent = {"kind": kept["kind"], "ref": told.get("ref")}
    sent |= {"athlete": {"ref": told.get("athlete_ref")} | kept.get("athlete", {})}
    if "episode" in kept:
        recurrence = {"recurrence_of": kept["recurrence_of"]} if "recurrence_of" in kept else {}
        sent |= {"episode": {"ref": told.get("episode_ref"), **kept["episode"], **recurrence}}
    sent |= {"target_stage": kept.get("target_stage"), "tester": told.get("tester")}
    sent |= {key: kept.get(key) for key in _SENT}
    sent["measurements"] = [_measurement(one) for one in kept["measurements"]]
    sent |= {key: {"id": kept[key]} for key in _NAMED if key in kept}
    return _without_none(sent)


def _measurement(kept: Mapping[str, Any]) -> dict[str, Any]:
    """Return a measurement as it is posted: a value that sums up several trials stands by itself."""
    sent = {key: one for key, one in kept.items() if key != "trials"}
    if "trials_summarised" in kept:
        return sent | {"value": kept["trials"][0]["value"]}
    trials = [one | ({"valid": False} if "invalid_because" in one else {}) for one in kept["trials"]]
    return sent | ({"trials": trials} if trials else {})


def _without_none(value: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _without_none(one) if key in ("athlete", "episode") else one
        for key, one in value.items()
        if one is not None
    }
