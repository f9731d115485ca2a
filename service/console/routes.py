"""Every page of the console. Add yours here, and its rows in service.api.access.ROLES."""

from service.console import criteria, door, due, team, terms
from service.console.blueprint import NAME, blp
from service.console.door import identify

PAGES = (door, team, due, criteria, terms)

__all__ = ["NAME", "PAGES", "blp", "identify"]
