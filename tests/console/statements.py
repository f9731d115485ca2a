"""The SQL statements that a page takes.

with statements(world) as sent:
    reader.page("/console/team")
assert len(sent) <= 6
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import sqlalchemy as sa

from tests.world import World


def statements(world: World) -> AbstractContextManager[list[str]]:
    """Collect what the world's app sends to its database."""
    return statements_to(world.client(None).flask.application.extensions["rts"].database.engine)


@contextmanager
def statements_to(engine: sa.Engine) -> Iterator[list[str]]:
    """Collect what is sent to a database."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(statement)

    sa.event.listen(engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        sa.event.remove(engine, "before_cursor_execute", note)
