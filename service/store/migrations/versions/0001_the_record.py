"""The record, its current state, criteria, access and audit, with the guards of what is append-only."""

import sqlalchemy as sa
from alembic import op

from service.store.guards import statements
from service.store.types import UtcMoment

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        "organisations",
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("created_at", UtcMoment(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_organisations")),
    )
    op.create_table(
        "actors",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("display_name", sa.Text(), nullable=False),
        sa.Column("profession", sa.Text(), nullable=True),
        sa.Column("registration", sa.Text(), nullable=True),
        sa.Column("roles", sa.Text(), nullable=False),
        sa.Column("issuer", sa.Text(), nullable=True),
        sa.Column("subject", sa.Text(), nullable=True),
        sa.Column("created_at", UtcMoment(), nullable=False),
        sa.Column("disabled_at", UtcMoment(), nullable=True),
        sa.CheckConstraint("kind IN ('person', 'system')", name=op.f("ck_actors_kind_known")),
        sa.ForeignKeyConstraint(["organisation_id"], ["organisations.id"], name=op.f("fk_actors_organisation_id")),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_actors")),
        sa.UniqueConstraint("issuer", "subject", name=op.f("uq_actors_issuer_subject")),
    )
    op.create_table(
        "athletes",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("ref", sa.String(length=64), nullable=True),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("birth_month", sa.Integer(), nullable=True),
        sa.Column("sex", sa.String(length=16), nullable=True),
        sa.Column("dominant_leg", sa.String(length=16), nullable=True),
        sa.Column("entries", sa.Integer(), nullable=False),
        sa.Column("head_digest", sa.String(length=71), nullable=True),
        sa.Column("erased_at", UtcMoment(), nullable=True),
        sa.ForeignKeyConstraint(["organisation_id"], ["organisations.id"], name=op.f("fk_athletes_organisation_id")),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_athletes")),
        sa.UniqueConstraint("organisation_id", "ref", name=op.f("uq_athletes_organisation_id_ref")),
    )
    op.create_table(
        "access_keys",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("actor_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("purpose", sa.String(length=16), nullable=False),
        sa.Column("label", sa.Text(), nullable=True),
        sa.Column("created_at", UtcMoment(), nullable=False),
        sa.Column("expires_at", UtcMoment(), nullable=True),
        sa.Column("revoked_at", UtcMoment(), nullable=True),
        sa.Column("last_used_on", sa.Date(), nullable=True),
        sa.CheckConstraint("purpose IN ('api', 'calendar', 'share')", name=op.f("ck_access_keys_purpose_known")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "actor_id"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_access_keys_organisation_id_actor_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_access_keys")),
        sa.UniqueConstraint("id", name=op.f("uq_access_keys_id")),
    )
    op.create_table(
        "audit_log",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("at", UtcMoment(), nullable=False),
        sa.Column("actor_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("action", sa.String(length=64), nullable=False),
        sa.Column("object_kind", sa.String(length=32), nullable=False),
        sa.Column("object_id", sa.String(length=140), nullable=True),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("request_id", sa.String(length=64), nullable=True),
        sa.Column("detail", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "actor_id"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_audit_log_organisation_id_actor_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_audit_log")),
    )
    with op.batch_alter_table("audit_log", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_audit_log_organisation_id_at_id"), ["organisation_id", "at", "id"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_audit_log_organisation_id_athlete_id_at"),
            ["organisation_id", "athlete_id", "at"],
            unique=False,
        )

    op.create_table(
        "criteria_drafts",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("set_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("examples", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("edited_by", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("edited_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "edited_by"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_criteria_drafts_organisation_id_edited_by"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "set_id", "version", name=op.f("pk_criteria_drafts")),
    )
    op.create_table(
        "criteria_versions",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("set_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=True),
        sa.Column("examples", sa.Text(), nullable=True),
        sa.Column("in_force_from", sa.Date(), nullable=False),
        sa.Column("published_by", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("published_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "published_by"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_criteria_versions_organisation_id_published_by"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "set_id", "version", name=op.f("pk_criteria_versions")),
    )
    with op.batch_alter_table("criteria_versions", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_criteria_versions_organisation_id_digest"), ["organisation_id", "digest"], unique=False
        )

    op.create_table(
        "episodes",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("ref", sa.String(length=64), nullable=True),
        sa.Column("condition", sa.String(length=64), nullable=True),
        sa.Column("involved_side", sa.String(length=16), nullable=True),
        sa.Column("onset_on", sa.String(length=10), nullable=True),
        sa.Column("other_side", sa.String(length=32), nullable=True),
        sa.Column("recurrence_of", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("closed_on", sa.Date(), nullable=True),
        sa.Column("stage", sa.String(length=64), nullable=True),
        sa.Column("participation", sa.String(length=32), nullable=True),
        sa.Column("position_until", sa.Date(), nullable=True),
        sa.Column("current_decision_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_episodes_organisation_id_athlete_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_episodes")),
        sa.UniqueConstraint("organisation_id", "ref", name=op.f("uq_episodes_organisation_id_ref")),
    )
    with op.batch_alter_table("episodes", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_episodes_organisation_id_athlete_id"), ["organisation_id", "athlete_id"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_episodes_organisation_id_closed_on"), ["organisation_id", "closed_on"], unique=False
        )

    op.create_table(
        "idempotency_keys",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("actor_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("key", sa.String(length=128), nullable=False),
        sa.Column("route", sa.String(length=128), nullable=False),
        sa.Column("body_digest", sa.String(length=71), nullable=False),
        sa.Column("object_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("created_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "actor_id"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_idempotency_keys_organisation_id_actor_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "actor_id", "key", name=op.f("pk_idempotency_keys")),
    )
    op.create_table(
        "criteria_retirements",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("set_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("retired_from", sa.Date(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("actor_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("recorded_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "actor_id"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_criteria_retirements_organisation_id_actor_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "set_id", "version"],
            ["criteria_versions.organisation_id", "criteria_versions.set_id", "criteria_versions.version"],
            name=op.f("fk_criteria_retirements_organisation_id_set_id_version"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "set_id", "version", name=op.f("pk_criteria_retirements")),
    )
    op.create_table(
        "record_entries",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("episode_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("occurred_at", UtcMoment(), nullable=False),
        sa.Column("occurred_on", sa.Date(), nullable=False),
        sa.Column("recorded_at", UtcMoment(), nullable=False),
        sa.Column("actor_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("format", sa.Integer(), nullable=False),
        sa.Column("salt", sa.String(length=64), nullable=True),
        sa.Column("document", sa.Text(), nullable=True),
        sa.Column("document_digest", sa.String(length=71), nullable=False),
        sa.Column("private", sa.Text(), nullable=True),
        sa.Column("private_digest", sa.String(length=71), nullable=False),
        sa.Column("previous_digest", sa.String(length=71), nullable=True),
        sa.Column("digest", sa.String(length=71), nullable=False),
        sa.CheckConstraint(
            "kind IN ('battery', 'decision', 'sign_off', 'finding_resolution', 'event', 'exception', 'confirmation', 'consent', 'void', 'erasure')",
            name=op.f("ck_record_entries_kind_known"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "actor_id"],
            ["actors.organisation_id", "actors.id"],
            name=op.f("fk_record_entries_organisation_id_actor_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_record_entries_organisation_id_athlete_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "episode_id"],
            ["episodes.organisation_id", "episodes.id"],
            name=op.f("fk_record_entries_organisation_id_episode_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_record_entries")),
        sa.UniqueConstraint(
            "organisation_id",
            "athlete_id",
            "sequence",
            name=op.f("uq_record_entries_organisation_id_athlete_id_sequence"),
        ),
    )
    with op.batch_alter_table("record_entries", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_record_entries_organisation_id_recorded_at_id"),
            ["organisation_id", "recorded_at", "id"],
            unique=False,
        )

    op.create_table(
        "batteries",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("episode_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("ref", sa.String(length=64), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("occasion", sa.String(length=64), nullable=True),
        sa.Column("performed_at", UtcMoment(), nullable=False),
        sa.Column("performed_on", sa.Date(), nullable=False),
        sa.Column("posted_by", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("supersedes_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.CheckConstraint(
            "kind = 'baseline' OR episode_id IS NOT NULL", name=op.f("ck_batteries_episode_unless_baseline")
        ),
        sa.CheckConstraint("kind IN ('assessment', 'baseline', 'follow_up')", name=op.f("ck_batteries_kind_known")),
        sa.CheckConstraint("state IN ('standing', 'superseded', 'void')", name=op.f("ck_batteries_state_known")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_batteries_organisation_id_athlete_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "episode_id"],
            ["episodes.organisation_id", "episodes.id"],
            name=op.f("fk_batteries_organisation_id_episode_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "id"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_batteries_organisation_id_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_batteries")),
        sa.UniqueConstraint(
            "organisation_id", "ref", "revision", name=op.f("uq_batteries_organisation_id_ref_revision")
        ),
        sa.UniqueConstraint(
            "organisation_id", "supersedes_id", name=op.f("uq_batteries_organisation_id_supersedes_id")
        ),
    )
    with op.batch_alter_table("batteries", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_batteries_organisation_id_athlete_id_performed_at"),
            ["organisation_id", "athlete_id", "performed_at"],
            unique=False,
        )

    op.create_table(
        "decisions",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("episode_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("battery_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("target_stage", sa.String(length=64), nullable=False),
        sa.Column("condition", sa.String(length=64), nullable=False),
        sa.Column("set_id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("as_of", UtcMoment(), nullable=False),
        sa.Column("decided_at", UtcMoment(), nullable=False),
        sa.Column("outcome", sa.String(length=8), nullable=False),
        sa.Column("finding_open", sa.Boolean(), nullable=False),
        sa.Column("not_today", sa.Boolean(), nullable=False),
        sa.Column("outside_scope", sa.Boolean(), nullable=False),
        sa.Column("not_met", sa.Boolean(), nullable=False),
        sa.Column("not_assessed", sa.Boolean(), nullable=False),
        sa.Column("awaiting_response", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("stands_until", sa.Date(), nullable=True),
        sa.Column("signed_at", UtcMoment(), nullable=True),
        sa.Column("posted_by", sa.Uuid(as_uuid=False), nullable=False),
        sa.CheckConstraint("outcome IN ('pass', 'hold')", name=op.f("ck_decisions_outcome_known")),
        sa.CheckConstraint(
            "state IN ('standing', 'superseded', 'withdrawn', 'void')", name=op.f("ck_decisions_state_known")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_decisions_organisation_id_athlete_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "episode_id"],
            ["episodes.organisation_id", "episodes.id"],
            name=op.f("fk_decisions_organisation_id_episode_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "id"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_decisions_organisation_id_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_decisions")),
    )
    with op.batch_alter_table("decisions", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_decisions_organisation_id_athlete_id_decided_at_id"),
            ["organisation_id", "athlete_id", "decided_at", "id"],
            unique=False,
        )
        batch_op.create_index(
            batch_op.f("ix_decisions_organisation_id_battery_id"), ["organisation_id", "battery_id"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_decisions_organisation_id_decided_at_id"),
            ["organisation_id", "decided_at", "id"],
            unique=False,
        )
        batch_op.create_index(
            batch_op.f("ix_decisions_organisation_id_episode_id_decided_at_id"),
            ["organisation_id", "episode_id", "decided_at", "id"],
            unique=False,
        )

    op.create_table(
        "findings",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("episode_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("finding", sa.String(length=64), nullable=False),
        sa.Column("raised_by", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("resolved_by", sa.Uuid(as_uuid=False), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_findings_organisation_id_athlete_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "episode_id"],
            ["episodes.organisation_id", "episodes.id"],
            name=op.f("fk_findings_organisation_id_episode_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "raised_by"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_findings_organisation_id_raised_by"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "resolved_by"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_findings_organisation_id_resolved_by"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "episode_id", "finding", "raised_by", name=op.f("pk_findings")),
    )
    with op.batch_alter_table("findings", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_findings_organisation_id_athlete_id"), ["organisation_id", "athlete_id"], unique=False
        )
        batch_op.create_index(
            "uq_findings_open",
            ["organisation_id", "episode_id", "finding"],
            unique=True,
            sqlite_where=sa.text("resolved_by IS NULL"),
            postgresql_where=sa.text("resolved_by IS NULL"),
        )

    op.create_table(
        "tasks",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("athlete_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("episode_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("decision_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("battery_id", sa.Uuid(as_uuid=False), nullable=True),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("window_days", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=8), nullable=False),
        sa.Column("closed_because", sa.String(length=32), nullable=True),
        sa.Column("ical_sequence", sa.Integer(), nullable=False),
        sa.Column("updated_at", UtcMoment(), nullable=False),
        sa.CheckConstraint("kind IN ('retest', 'follow_up')", name=op.f("ck_tasks_kind_known")),
        sa.CheckConstraint("state IN ('open', 'closed')", name=op.f("ck_tasks_state_known")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "athlete_id"],
            ["athletes.organisation_id", "athletes.id"],
            name=op.f("fk_tasks_organisation_id_athlete_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "battery_id"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_tasks_organisation_id_battery_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "decision_id"],
            ["record_entries.organisation_id", "record_entries.id"],
            name=op.f("fk_tasks_organisation_id_decision_id"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "episode_id"],
            ["episodes.organisation_id", "episodes.id"],
            name=op.f("fk_tasks_organisation_id_episode_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_tasks")),
    )
    with op.batch_alter_table("tasks", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_tasks_organisation_id_athlete_id"), ["organisation_id", "athlete_id"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_tasks_organisation_id_state_due_on_id"),
            ["organisation_id", "state", "due_on", "id"],
            unique=False,
        )
        batch_op.create_index(
            "uq_tasks_follow_up",
            ["organisation_id", "battery_id"],
            unique=True,
            sqlite_where=sa.text("kind = 'follow_up'"),
            postgresql_where=sa.text("kind = 'follow_up'"),
        )
        batch_op.create_index(
            "uq_tasks_open_retest",
            ["organisation_id", "episode_id"],
            unique=True,
            sqlite_where=sa.text("state = 'open' AND kind = 'retest'"),
            postgresql_where=sa.text("state = 'open' AND kind = 'retest'"),
        )

    op.create_table(
        "unmet_criteria",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("decision_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("criterion_id", sa.String(length=64), nullable=False),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("decided_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "decision_id"],
            ["decisions.organisation_id", "decisions.id"],
            name=op.f("fk_unmet_criteria_organisation_id_decision_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "decision_id", "criterion_id", name=op.f("pk_unmet_criteria")),
    )
    with op.batch_alter_table("unmet_criteria", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_unmet_criteria_organisation_id_criterion_id_status_decided_at_decision_id"),
            ["organisation_id", "criterion_id", "status", "decided_at", "decision_id"],
            unique=False,
        )

    for statement in statements(op.get_bind()):
        op.execute(statement)
