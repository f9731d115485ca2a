"""Every resource of the API, in the order in which it is documented. Add yours here, and its rows in access.ROLES."""

from service.api import (
    access_keys,
    actors,
    athletes,
    audit,
    batteries,
    criteria,
    criteria_reviews,
    decisions,
    deliveries,
    entries,
    episodes,
    evaluations,
    organisation,
    reminder_plans,
    retests,
    webhooks,
)
from service.api.blueprint import Blueprint

BLUEPRINTS: tuple[Blueprint, ...] = (
    batteries.blp,
    episodes.blp,
    decisions.blp,
    athletes.blp,
    entries.blp,
    retests.blp,
    evaluations.blp,
    criteria.tests,
    criteria.sets,
    criteria.drafts,
    criteria_reviews.blp,
    organisation.blp,
    reminder_plans.blp,
    actors.blp,
    access_keys.blp,
    webhooks.blp,
    deliveries.blp,
    audit.blp,
)
