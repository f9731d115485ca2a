"""The column types that both databases share."""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect

from service.domain.record import instant


class UtcMoment(sa.types.TypeDecorator[datetime]):
    """An aware moment in UTC; timestamptz on PostgreSQL, fixed-width text that sorts as time does on SQLite.

    A naive datetime is refused: nobody could say which moment it means.
    """

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> sa.types.TypeEngine[Any]:
        """Return text on SQLite."""
        is_sqlite = dialect.name == "sqlite"
        return dialect.type_descriptor(sa.String(27) if is_sqlite else sa.DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Return what the database keeps."""
        if value is None:
            return None
        if value.tzinfo is None:
            message = "a moment needs its offset from UTC"
            raise ValueError(message)
        return instant(value) if dialect.name == "sqlite" else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Return an aware moment in UTC."""
        if value is None:
            return None
        moment = datetime.fromisoformat(value) if dialect.name == "sqlite" else value
        return moment.astimezone(UTC)


def uuid_column(name: str, **settings: Any) -> sa.Column[str]:
    """Return a column of ids; they are hyphenated text in Python and need no other form."""
    return sa.Column(name, sa.Uuid(as_uuid=False), **settings)


def moment_column(name: str, **settings: Any) -> sa.Column[datetime]:
    """Return a column of moments."""
    return sa.Column(name, UtcMoment(), **settings)
