"""The tables of what is due to be said, and to whom: reminders, webhooks, messages and their deliveries.

Nothing here can be rebuilt from the record: a reminder was sent or it was not. No reminder names its task by a
foreign key, because tasks can be rebuilt, and then go and come again.
"""

import sqlalchemy as sa

from service.store.tables import METADATA, names_actor, names_organisation, of_one_organisation, one_of
from service.store.types import moment_column, uuid_column

__all__ = ["METADATA"]

reminder_plans = sa.Table(
    "reminder_plans",
    METADATA,
    of_one_organisation(),
    uuid_column("of_id", nullable=False),  # the organisation itself, or one of its episodes
    sa.Column("document", sa.Text, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
    uuid_column("edited_by", nullable=False),
    moment_column("edited_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "of_id"),
    names_organisation(),
    names_actor("edited_by"),
)

reminders = sa.Table(
    "reminders",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("task_id", nullable=False),
    sa.Column("due_on", sa.Date, nullable=False),
    sa.Column("step", sa.String(32), nullable=False),
    moment_column("at", nullable=False),
    sa.Column("state", sa.String(16), nullable=False),
    moment_column("settled_at"),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    names_organisation(),
    one_of("state", ("planned", "handed", "too_late")),
    sa.Index(None, "state", "at"),
    sa.Index(None, "organisation_id", "task_id"),
)

webhooks = sa.Table(
    "webhooks",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    sa.Column("label", sa.Text),
    sa.Column("url", sa.Text, nullable=False),
    sa.Column("events", sa.Text, nullable=False),
    sa.Column("secret", sa.Text, nullable=False),
    sa.Column("previous_secret", sa.Text),
    moment_column("previous_until"),
    sa.Column("state", sa.String(16), nullable=False),
    sa.Column("off_because", sa.Text),
    sa.Column("revision", sa.Integer, nullable=False),
    moment_column("created_at", nullable=False),
    moment_column("updated_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    names_organisation(),
    one_of("state", ("on", "off", "removed")),
)

messages = sa.Table(
    "messages",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    sa.Column("type", sa.String(64), nullable=False),
    sa.Column("document", sa.Text, nullable=False),
    moment_column("created_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    names_organisation(),
)

deliveries = sa.Table(
    "deliveries",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("message_id", nullable=False),
    sa.Column("channel", sa.String(16), nullable=False),
    uuid_column("webhook_id"),
    uuid_column("actor_id"),
    sa.Column("state", sa.String(16), nullable=False),
    sa.Column("attempts", sa.Integer, nullable=False),
    moment_column("next_at", nullable=False),
    sa.Column("claimed_by", sa.String(64)),
    moment_column("attempted_at"),
    sa.Column("status", sa.Integer),
    sa.Column("error", sa.Text),
    moment_column("settled_at"),
    moment_column("created_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("organisation_id", "message_id", "webhook_id"),
    sa.UniqueConstraint("organisation_id", "message_id", "actor_id"),
    sa.ForeignKeyConstraint(["organisation_id", "message_id"], ["messages.organisation_id", "messages.id"]),
    sa.ForeignKeyConstraint(["organisation_id", "webhook_id"], ["webhooks.organisation_id", "webhooks.id"]),
    names_actor(),
    one_of("channel", ("webhook", "email")),
    one_of("state", ("waiting", "delivered", "dead", "dropped")),
    sa.CheckConstraint("(channel = 'webhook') = (webhook_id IS NOT NULL)", name="webhook_named"),
    sa.CheckConstraint("(channel = 'email') = (actor_id IS NOT NULL)", name="actor_named"),
    sa.Index(None, "state", "next_at"),
    sa.Index(None, "organisation_id", "created_at", "id"),
    sa.Index(None, "organisation_id", "state", "created_at", "id"),
    sa.Index(None, "organisation_id", "webhook_id", "created_at", "id"),
)
