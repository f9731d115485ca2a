"""Whether requests can be served."""

from service.domain.errors import DatabaseUnavailableError
from service.store import migrating
from service.use_cases.context import Context

UNREACHABLE = "the database can't be reached"
NOT_MIGRATED = "the database has not this release's tables; run the upgrade first"


def why_not_ready(context: Context) -> str | None:
    """Return why requests can't be served, or None if they can."""
    try:
        return None if migrating.is_current(context.database) else NOT_MIGRATED
    except DatabaseUnavailableError:
        return UNREACHABLE
