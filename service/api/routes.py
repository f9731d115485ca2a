"""Every resource of the API, in the order in which it is documented. Add yours here, and its rows in access.ROLES."""

from service.api.blueprint import Blueprint

BLUEPRINTS: tuple[Blueprint, ...] = ()
