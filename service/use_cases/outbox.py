"""Tell of what happened: a message is kept with what it tells of, in one transaction, and sent after it.

A message is thin: it names things by their ids and where to read them, and says no outcome, ref or figure. Who may
read them is asked for a key there.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from service.domain.record import instant
from service.store import outbox as store
from service.store.database import Tx
from service.store.ids import new_id
from service.store.outbox import EMAIL, WEBHOOK, Message, Recipient


class News(NamedTuple):
    """What is told: `id` names it, whoever tells it again; `type` is one of `events.EVENT_TYPES`; `at` is when it was.

    `data` is JSON, small and thin: a receiver takes 20 kB in all.
    """

    id: str
    type: str
    at: datetime
    data: Mapping[str, Any]


def tell(  # noqa: PLR0913 - what one message is made of
    tx: Tx, organisation: str, *, id_: str, type_: str, at: datetime, data: Mapping[str, Any], now: datetime
) -> None:
    """Tell one thing, as `tell_all` does."""
    tell_all(tx, organisation, [News(id_, type_, at, data)], now)


def tell_all(tx: Tx, organisation: str, news: Sequence[News], now: datetime) -> None:
    """Hand each to every webhook of the organisation that is on and wants its type, to be sent after the transaction.

    What nobody wants is not kept, and no webhook is told the same id twice. Where there is no webhook, one statement
    is all; where there is no news, none.
    """
    if not news:
        return
    wanted = store.webhooks_on(tx, organisation)
    sent = [(_message(one), recipients) for one in news if (recipients := _wanting(wanted, one.type))]
    store.add(tx, organisation, sent, now)


def tell_people(  # noqa: PLR0913 - what one message is made of
    tx: Tx, organisation: str, *, type_: str, data: Mapping[str, Any], actor_ids: Sequence[str], now: datetime
) -> None:
    """Send one mail to each of these people; what it says is written when it is sent, from its type and data."""
    message = _message(News(new_id(now), type_, now, data))
    store.add(tx, organisation, [(message, [Recipient(EMAIL, one) for one in actor_ids])], now)


def tell_webhook(tx: Tx, organisation: str, webhook: str, news: News, now: datetime) -> None:
    """Tell one webhook only, whichever types it wants."""
    store.add(tx, organisation, [(_message(news), [Recipient(WEBHOOK, webhook)])], now)


def _wanting(wanted: Mapping[str, Sequence[str]], type_: str) -> list[Recipient]:
    return [Recipient(WEBHOOK, id_) for id_, types in wanted.items() if not types or type_ in types]


def _message(one: News) -> Message:
    said = {"type": one.type, "timestamp": instant(one.at), "data": one.data}
    return Message(one.id, one.type, json.dumps(said, separators=(",", ":"), ensure_ascii=False))
