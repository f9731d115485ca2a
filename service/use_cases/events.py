"""What is told of athletes' records and of criteria: ids and where to read them, no more."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from schemas.webhooks import (
    CRITERIA_PUBLISHED,
    DECISION_MADE,
    DECISION_WITHDRAWN,
    EVENT_TYPES,
    FOLLOW_UP_ANSWERED,
    SIGN_OFF_RECORDED,
)
from service.domain.chain import Link
from service.domain.record import BATTERY, DECISION, FOLLOW_UP
from service.store.task_state import SIGN_OFF
from service.use_cases.decision_view import is_awaiting_sign_off
from service.use_cases.outbox import News

__all__ = ["EVENT_TYPES", "news_of_criteria", "news_of_record"]

Rows = Mapping[tuple[Any, ...], Mapping[str, Any]]


def news_of_record(added: Sequence[Link], withdrawn: Sequence[str], decisions: Rows, now: datetime) -> list[News]:
    """Return what is told of entries that were added to an athlete's record.

    Args:
        added: the entries.
        withdrawn: the decisions that no longer stand because of them.
        decisions: the athlete's decisions as they are now, by their keys.
        now: when the entries were recorded.
    """
    told = [news for one in added for news in _news(one, decisions, now)]
    return told + [_withdrawn(one, decisions[one,], added[0], now) for one in withdrawn]


def _news(one: Link, decisions: Rows, now: datetime) -> Iterator[News]:
    if one.kind == DECISION:
        yield _made(one, decisions, now)
    elif one.kind == SIGN_OFF:
        yield _signed(one, decisions, now)
    elif one.kind == BATTERY and one.content["kind"] == FOLLOW_UP:
        yield _answered(one, now)


def _made(one: Link, decisions: Rows, now: datetime) -> News:
    said = {"decision_id": one.id, **_about(one), "href": _decision(one.id), **_awaiting(one.id, decisions)}
    return News(_id(one.id, DECISION_MADE), DECISION_MADE, now, said)


def _withdrawn(decision: str, row: Mapping[str, Any], because: Link, now: datetime) -> News:
    """Return the news of a decision that an entry withdrew; another entry may withdraw it again."""
    said = {"decision_id": decision, "athlete_id": row["athlete_id"], "episode_id": row["episode_id"]}
    id_ = _id(because.id, f"{DECISION_WITHDRAWN}:{decision}")
    return News(id_, DECISION_WITHDRAWN, now, said | {"href": _decision(decision)})


def _signed(one: Link, decisions: Rows, now: datetime) -> News:
    decision = one.content.get("decision")
    said: dict[str, Any] = {"sign_off_id": one.id, **_about(one)}
    if decision is None:
        said["href"] = f"/v1/episodes/{one.episode}"
    else:
        said |= {"decision_id": decision, "href": _decision(decision), **_awaiting(decision, decisions)}
    return News(_id(one.id, SIGN_OFF_RECORDED), SIGN_OFF_RECORDED, now, said)


def _answered(one: Link, now: datetime) -> News:
    said = {"battery_id": one.id, **_about(one), "href": f"/v1/batteries/{one.id}"}
    return News(_id(one.id, FOLLOW_UP_ANSWERED), FOLLOW_UP_ANSWERED, now, said)


def news_of_criteria(id_: str, set_id: str, version: int, now: datetime) -> News:
    """Return the news of a version of criteria that was adopted or published; `id_` is its UUID."""
    said = {"set_id": set_id, "version": version, "href": f"/v1/criteria-sets/{set_id}/versions/{version}"}
    return News(_id(id_, CRITERIA_PUBLISHED), CRITERIA_PUBLISHED, now, said)


def _about(one: Link) -> dict[str, Any]:
    return {"athlete_id": one.athlete, "episode_id": one.episode}


def _awaiting(decision: str, decisions: Rows) -> dict[str, bool]:
    return {"awaiting_sign_off": is_awaiting_sign_off(decisions[decision,])}


def _decision(id_: str) -> str:
    return f"/v1/decisions/{id_}"


def _id(of: str, name: str) -> str:
    """Return the id of a message: it follows from what it tells of, so that it is told once."""
    return str(uuid5(UUID(of), name))
