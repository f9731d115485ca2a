"""Reminders: more kinds of tasks, the plan, what is due to be said, webhooks, messages and their deliveries."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcMoment

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

KINDS = "kind IN ('retest', 'follow_up', 'override_review', 'referral_outcome', 'check_in', 'criteria_review')"
OF_ATHLETE = "kind = 'criteria_review' OR athlete_id IS NOT NULL"


def _id(name, *, nullable=False):
    return sa.Column(name, sa.Uuid(as_uuid=False), nullable=nullable)


def _moment(name, *, nullable=False):
    return sa.Column(name, UtcMoment(), nullable=nullable)


def _of_organisation(table):
    name = op.f(f"fk_{table}_organisation_id")
    return sa.ForeignKeyConstraint(["organisation_id"], ["organisations.id"], name=name)


def _of(table, column, other):
    name = op.f(f"fk_{table}_organisation_id_{column}")
    return sa.ForeignKeyConstraint(["organisation_id", column], [f"{other}.organisation_id", f"{other}.id"], name=name)


def _key(table, *columns):
    return sa.PrimaryKeyConstraint("organisation_id", *columns, name=op.f(f"pk_{table}"))


def _check(table, name, said):
    return sa.CheckConstraint(said, name=op.f(f"ck_{table}_{name}"))


def upgrade():
    op.add_column("actors", sa.Column("email", sa.String(length=254)))
    _tasks()
    _reminders()
    _webhooks()
    _deliveries()


def _tasks():
    # On SQLite the table is made anew, with its rows, its keys and its indexes; no guard stands on it.
    with op.batch_alter_table("tasks") as batch:
        batch.add_column(sa.Column("about", sa.String(length=80)))
        batch.alter_column("athlete_id", existing_type=sa.Uuid(as_uuid=False), nullable=True)
        # Written by the release before only: an event of the calendar counts entries. The next release drops it.
        batch.alter_column("ical_sequence", existing_type=sa.Integer(), existing_nullable=False, server_default="0")
        batch.drop_constraint(op.f("ck_tasks_kind_known"), type_="check")
        batch.create_check_constraint(op.f("ck_tasks_kind_known"), KINDS)
        batch.create_check_constraint(op.f("ck_tasks_athlete_unless_criteria"), OF_ATHLETE)
    op.create_index(op.f("ix_tasks_organisation_id_episode_id"), "tasks", ["organisation_id", "episode_id"])


def _reminders():
    op.create_table(
        "reminder_plans",
        _id("organisation_id"),
        _id("of_id"),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        _id("edited_by"),
        _moment("edited_at"),
        _of_organisation("reminder_plans"),
        _of("reminder_plans", "edited_by", "actors"),
        _key("reminder_plans", "of_id"),
    )
    op.create_table(
        "reminders",
        _id("organisation_id"),
        _id("id"),
        _id("task_id"),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("step", sa.String(length=32), nullable=False),
        _moment("at"),
        sa.Column("state", sa.String(length=16), nullable=False),
        _moment("settled_at", nullable=True),
        _check("reminders", "state_known", "state IN ('planned', 'handed', 'too_late')"),
        _of_organisation("reminders"),
        _key("reminders", "id"),
    )
    op.create_index(op.f("ix_reminders_state_at"), "reminders", ["state", "at"])
    op.create_index(op.f("ix_reminders_organisation_id_task_id"), "reminders", ["organisation_id", "task_id"])


def _webhooks():
    op.create_table(
        "webhooks",
        _id("organisation_id"),
        _id("id"),
        sa.Column("label", sa.Text()),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("events", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("previous_secret", sa.Text()),
        _moment("previous_until", nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("off_because", sa.Text()),
        sa.Column("revision", sa.Integer(), nullable=False),
        _moment("created_at"),
        _moment("updated_at"),
        _check("webhooks", "state_known", "state IN ('on', 'off', 'removed')"),
        _of_organisation("webhooks"),
        _key("webhooks", "id"),
    )


def _deliveries():
    op.create_table(
        "messages",
        _id("organisation_id"),
        _id("id"),
        sa.Column("type", sa.String(length=64), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        _moment("created_at"),
        _of_organisation("messages"),
        _key("messages", "id"),
    )
    op.create_table(
        "deliveries",
        _id("organisation_id"),
        _id("id"),
        _id("message_id"),
        sa.Column("channel", sa.String(length=16), nullable=False),
        _id("webhook_id", nullable=True),
        _id("actor_id", nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        _moment("next_at"),
        sa.Column("claimed_by", sa.String(length=64)),
        _moment("attempted_at", nullable=True),
        sa.Column("status", sa.Integer()),
        sa.Column("error", sa.Text()),
        _moment("settled_at", nullable=True),
        _moment("created_at"),
        _check("deliveries", "channel_known", "channel IN ('webhook', 'email')"),
        _check("deliveries", "state_known", "state IN ('waiting', 'delivered', 'dead', 'dropped')"),
        _check("deliveries", "webhook_named", "(channel = 'webhook') = (webhook_id IS NOT NULL)"),
        _check("deliveries", "actor_named", "(channel = 'email') = (actor_id IS NOT NULL)"),
        _of("deliveries", "message_id", "messages"),
        _of("deliveries", "webhook_id", "webhooks"),
        _of("deliveries", "actor_id", "actors"),
        _key("deliveries", "id"),
        *(
            sa.UniqueConstraint(
                "organisation_id", "message_id", to, name=op.f(f"uq_deliveries_organisation_id_message_id_{to}")
            )
            for to in ("webhook_id", "actor_id")
        ),
    )
    for columns in (
        ["state", "next_at"],
        ["organisation_id", "created_at", "id"],
        ["organisation_id", "state", "created_at", "id"],
        ["organisation_id", "webhook_id", "created_at", "id"],
    ):
        op.create_index(op.f(f"ix_deliveries_{'_'.join(columns)}"), "deliveries", columns)
