"""How far what is due is behind, for the operator: over all organisations, figures only."""

from typing import NamedTuple

from service.store import sending
from service.store.database import Tx
from service.store.outbox import DEAD, WAITING
from service.use_cases.context import Context


class Backlog(NamedTuple):
    """What waits: for how long the oldest reminder that is due, and how many deliveries, waiting or dead."""

    late_seconds: float
    waiting: int
    dead: int


def read_backlog(context: Context) -> Backlog:
    """Return what waits now.

    Raises:
        DatabaseUnavailableError: the database can't be reached.
    """
    now = context.clock()

    def read(tx: Tx) -> Backlog:
        oldest = sending.oldest_due(tx, now)
        counts = sending.counts(tx)
        late = 0.0 if oldest is None else (now - oldest).total_seconds()
        return Backlog(late, counts.get(WAITING, 0), counts.get(DEAD, 0))

    return context.database.read(read)
