"""A decision on record as it is answered: what was decided then, and what has become of it since."""

from collections.abc import Container, Mapping
from datetime import date
from typing import Any

from service.domain.chain import Link
from service.domain.criteria import CriteriaSet
from service.domain.standing import EXPIRED, IS_VOID
from service.domain.words import WITHDRAWAL_WORDS
from service.store.state import IS_STANDING
from service.store.task_state import FOLLOW_UP, RETEST, task_id
from service.use_cases.answer import decision_answer

CREATED = {
    "athlete": ("new_athlete", "A new athlete was made: no athlete had this ref"),
    "episode": ("new_episode", "A new episode was made: no episode had this ref"),
}


def decision_view(  # noqa: PLR0913 - what stands in an answer comes from as many places
    link: Link,
    criteria: CriteriaSet,
    row: Mapping[str, Any],
    *,
    tasks: Container[str],
    today: date,
    withdrawn_because: str | None = None,
) -> dict[str, Any]:
    """Return a decision as clients see it.

    Args:
        link: its entry.
        criteria: the version that judged.
        row: its current state.
        tasks: the ids of the tasks that came from it.
        today: in the organisation's zone.
        withdrawn_because: the code of why it is withdrawn, where it is.
    """
    said = link.content
    answer = decision_answer(said["verdict"], said["advice"], criteria)
    created = said["created"]
    return {
        "id": link.id,
        "battery_id": said["battery"],
        "created": created,
        **answer,
        "standing": standing_view(row, today) | _because(withdrawn_because),
        "data_quality": [*created_flags(created), *answer["data_quality"]],
        "retest": _with_id(answer["retest"], task_id(RETEST, link.id), tasks),
        "follow_up": _with_id(answer["follow_up"], task_id(FOLLOW_UP, said["occasion"] or link.id), tasks),
        "used": said["used"],
        "service_version": said["service_version"],
        "digest": link.digest,
        "previous_digest": link.previous_digest,
        "athlete_id": link.athlete,
        "episode_id": link.episode,
        "performed_at": said["verdict"]["as_of"] if said["battery"] is not None else None,
        "decided_at": link.recorded_at,
    }


def standing_view(row: Mapping[str, Any], today: date) -> dict[str, Any]:
    """Return what has become of a decision, as it reads today; a void one stands on no day and awaits nobody."""
    is_void = row["state"] == IS_VOID
    until: date | None = None if is_void else row["stands_until"]
    is_over = row["state"] == IS_STANDING and until is not None and today > until
    return {
        "state": EXPIRED if is_over else row["state"],
        "until": None if until is None else until.isoformat(),
        "awaiting_sign_off": is_awaiting_sign_off(row),
    }


def is_awaiting_sign_off(row: Mapping[str, Any]) -> bool:
    """Tell whether nobody has signed a decision off that somebody could."""
    return row["signed_at"] is None and row["state"] != IS_VOID


def _because(code: str | None) -> dict[str, Any]:
    return {} if code is None else {"because": {"code": code, "detail": WITHDRAWAL_WORDS[code]}}


def created_flags(created: list[str]) -> list[dict[str, str]]:
    """Return what a reader should know of what was made on the way."""
    return [{"code": CREATED[one][0], "detail": CREATED[one][1]} for one in created]


def stored_view(battery: Link, withdrawn: list[str], corrected: list[dict[str, str]]) -> dict[str, Any]:
    """Return what is answered where a battery was kept and nothing was judged.

    Args:
        battery: its entry.
        withdrawn: the decisions that no longer stand because of it.
        corrected: flags for what it takes back of what holds.
    """
    created = battery.content.get("created", [])
    return {
        "battery_id": battery.id,
        "athlete_id": battery.athlete,
        "episode_id": battery.episode,
        "created": created,
        "data_quality": [*created_flags(created), *corrected],
        "withdrawn": withdrawn,
        "performed_at": battery.occurred_at,
        "recorded_at": battery.recorded_at,
        "digest": battery.digest,
    }


def _with_id(task: Mapping[str, Any] | None, id_: str, tasks: Container[str]) -> dict[str, Any] | None:
    """Return a proposal with the id of its task; a decision that is not the current one made none."""
    if task is None:
        return None
    return {"id": id_, **task} if id_ in tasks else dict(task)
