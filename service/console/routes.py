"""Every page of the console. Add yours here, and its rows in service.api.access.ROLES."""

from service.console import (
    athlete,
    calendars,
    criteria,
    decision,
    deliveries,
    door,
    due,
    entry,
    people,
    plans,
    reviews,
    team,
    terms,
    webhooks,
)
from service.console.blueprint import NAME, blp
from service.console.door import identify

PAGES = (
    door,
    team,
    athlete,
    decision,
    entry,
    due,
    calendars,
    criteria,
    plans,
    people,
    webhooks,
    deliveries,
    reviews,
    terms,
)

__all__ = ["NAME", "PAGES", "blp", "identify"]
