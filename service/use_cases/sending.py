"""Send what stands in the outbox: claim it for a while, and settle what became of each try.

Between the two nothing is locked. Who dies there leaves the claim to run out, and the delivery is tried again under
the same id: it arrives at least once, and is recorded once.
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from schemas.webhooks import WEBHOOK_OFF
from service.domain.record import instant
from service.store import deliveries, reminders, sending
from service.store.database import Tx
from service.store.outbox import DEAD, DELIVERED, DROPPED, WAITING
from service.store.sending import Claimed, Settled
from service.use_cases.context import ADMINISTRATOR, Context
from service.use_cases.outbox import tell_people

LEASE = timedelta(minutes=5)
"""How long a claim holds: longer than sending a whole batch can take."""

MOST_OF_ONE = 16
"""How many deliveries of one webhook are claimed at once, and how many mails: who is slow keeps no others waiting."""

# As Standard Webhooks 1.0.0 recommends: after the first try, the second, and so on. Then a delivery is dead.
PAUSES = tuple(timedelta(seconds=one) for one in (5, 300, 1800, 7200, 18000, 36000, 50400, 72000, 86400))
LONGEST = PAUSES[-1]
JITTER = 0.1
# Practice: about as long as one is tried that a mail server refuses; what it tells of stands in the console.
MAIL_WAITS = timedelta(days=3)
IS_TOO_LATE = f"too late: no mail server was handed it within {MAIL_WAITS.days} days"
WAS_TURNED_OFF = "the webhook was turned off"
DEAD_IN_A_ROW = 5
GONE = 410


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a try.

    Attributes:
        is_done: it was delivered.
        status: what the receiver answered.
        error: what failed, in words.
        is_final: trying again is no use.
        is_needless: nothing is left to say.
        pause: after which pause the receiver asks to be tried again.
    """

    is_done: bool = False
    status: int | None = None
    error: str | None = None
    is_final: bool = False
    is_needless: bool = False
    pause: timedelta | None = None


Random = Callable[[], float]


def claim(context: Context, *, limit: int, has_mail: bool) -> list[Claimed]:
    """Claim what is due to be sent; nobody else has it until the lease is over. Mails that are too late are let go."""
    now, by = context.clock(), secrets.token_hex(16)

    def work(tx: Tx) -> list[Claimed]:
        deliveries.drop_mails(tx, now - MAIL_WAITS, IS_TOO_LATE, now)
        return sending.claim(tx, by, now=now, until=now + LEASE, limit=limit, each=MOST_OF_ONE, has_mail=has_mail)

    return context.database.write(work)


def give_back(context: Context, one: Claimed) -> None:
    """Leave to the next claim what was claimed and not begun; nothing where the claim was over."""
    context.database.write(partial(sending.give_back, one=one, now=context.clock()))


def settle(context: Context, one: Claimed, tried: Tried, random: Random) -> None:
    """Write what became of a try; nothing where the claim was over and somebody else sends it.

    Args:
        context: the parts of the service that runs.
        one: what was claimed.
        tried: what became of it.
        random: returns a number from 0 to 1, which moves the next try a little.
    """
    now = context.clock()
    settled = _settled(one, tried, now, random())

    def work(tx: Tx) -> None:
        if sending.settle(tx, one, settled, now) and one.webhook is not None and settled.state == DEAD:
            _turn_off_if_hopeless(tx, one, settled, now)

    context.database.write(work)


def _settled(one: Claimed, tried: Tried, now: datetime, drawn: float) -> Settled:
    if tried.is_done:
        return Settled(DELIVERED, tried.status)
    if tried.is_needless:
        return Settled(DROPPED, tried.status, tried.error)
    if tried.is_final or one.attempts > len(PAUSES):
        return Settled(DEAD, tried.status, tried.error)
    pause = PAUSES[one.attempts - 1] * (1 + JITTER * (2 * drawn - 1))
    asked = min(tried.pause or timedelta(), LONGEST)
    return Settled(WAITING, tried.status, tried.error, now + max(pause, asked))


def _turn_off_if_hopeless(tx: Tx, one: Claimed, settled: Settled, now: datetime) -> None:
    """Turn off a webhook whose receiver is gone, or to which nothing came through for long; administrators hear it."""
    assert one.webhook is not None
    last = sending.last_states(tx, one.organisation, one.webhook, DEAD_IN_A_ROW)
    is_hopeless = len(last) == DEAD_IN_A_ROW and set(last) == {DEAD}
    if settled.status != GONE and not is_hopeless:
        return
    because = "it answered 410 Gone" if settled.status == GONE else f"{DEAD_IN_A_ROW} messages in a row did not arrive"
    if sending.turn_off(tx, one, f"{because}; turned off at {instant(now)}", now):
        deliveries.drop(tx, one.organisation, one.webhook, WAS_TURNED_OFF, now)
        people = reminders.people_with_mail(tx, one.organisation)
        told = [id_ for id_, roles in people.items() if ADMINISTRATOR in roles]
        data: dict[str, Any] = {"webhook_id": one.webhook, "because": because}
        if told:
            tell_people(tx, one.organisation, type_=WEBHOOK_OFF, data=data, actor_ids=told, now=now)
