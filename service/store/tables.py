"""The tables of the record, of what follows from it, and of who may act; `sending_tables` has the rest.

Append-only: record_entries, criteria_versions, criteria_retirements, audit_log; the database itself refuses to change
them (`guards`). Current state is written in the same transaction and can be rebuilt from the record. Every table but
organisations has `organisation_id` first in its keys, and references carry it, so that no row can name another
organisation's.
"""

import sqlalchemy as sa

from service.domain.codes import HOLD_KINDS, PASS
from service.store.types import moment_column, uuid_column

METADATA = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ENTRY_KINDS = (
    "battery",
    "decision",
    "sign_off",
    "finding_resolution",
    "event",
    "exception",
    "confirmation",
    "consent",
    "void",
    "erasure",
)
TASK_KINDS = ("retest", "follow_up", "override_review", "referral_outcome", "check_in", "criteria_review")
APPEND_ONLY = ("record_entries", "criteria_versions", "criteria_retirements", "audit_log")
ERASABLE = ("document", "private", "salt")


def of_one_organisation() -> "sa.Column[str]":
    """Return the column that every table but organisations has."""
    return uuid_column("organisation_id", nullable=False)


def names_organisation() -> sa.ForeignKeyConstraint:
    """Return the reference to an organisation."""
    return sa.ForeignKeyConstraint(["organisation_id"], ["organisations.id"])


def _of_athlete() -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["organisation_id", "athlete_id"], ["athletes.organisation_id", "athletes.id"])


def _of_episode() -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["organisation_id", "episode_id"], ["episodes.organisation_id", "episodes.id"])


def _of_entry(column: str = "id") -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["organisation_id", column], ["record_entries.organisation_id", "record_entries.id"])


def one_of(column: str, words: tuple[str, ...]) -> sa.CheckConstraint:
    """Return the constraint that a column holds one of these words."""
    return sa.CheckConstraint(sa.column(column).in_(words), name=f"{column}_known")


organisations = sa.Table(
    "organisations",
    METADATA,
    uuid_column("id", primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("time_zone", sa.Text, nullable=False),
    moment_column("created_at", nullable=False),
)

actors = sa.Table(
    "actors",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    sa.Column("kind", sa.String(16), nullable=False),
    sa.Column("display_name", sa.Text, nullable=False),
    sa.Column("profession", sa.Text),
    sa.Column("registration", sa.Text),
    sa.Column("roles", sa.Text, nullable=False),
    sa.Column("email", sa.String(254)),
    sa.Column("issuer", sa.Text),
    sa.Column("subject", sa.Text),
    moment_column("created_at", nullable=False),
    moment_column("disabled_at"),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("issuer", "subject"),
    names_organisation(),
    one_of("kind", ("person", "system")),
)


def names_actor(column: str = "actor_id") -> sa.ForeignKeyConstraint:
    """Return the reference to an actor of the same organisation."""
    return sa.ForeignKeyConstraint(["organisation_id", column], ["actors.organisation_id", "actors.id"])


access_keys = sa.Table(
    "access_keys",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("actor_id", nullable=False),
    sa.Column("secret_sha256", sa.String(64), nullable=False),
    sa.Column("purpose", sa.String(16), nullable=False),
    sa.Column("label", sa.Text),
    moment_column("created_at", nullable=False),
    moment_column("expires_at"),
    moment_column("revoked_at"),
    sa.Column("last_used_on", sa.Date),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("id"),
    names_actor(),
    one_of("purpose", ("api", "calendar", "share")),
)

idempotency_keys = sa.Table(
    "idempotency_keys",
    METADATA,
    of_one_organisation(),
    uuid_column("actor_id", nullable=False),
    sa.Column("key", sa.String(128), nullable=False),
    sa.Column("route", sa.String(128), nullable=False),
    sa.Column("body_digest", sa.String(71), nullable=False),
    uuid_column("object_id", nullable=False),
    moment_column("created_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "actor_id", "key"),
    names_actor(),
)

console_sessions = sa.Table(
    "console_sessions",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("key_id", nullable=False),
    sa.Column("secret_sha256", sa.String(64), nullable=False),
    moment_column("created_at", nullable=False),
    moment_column("seen_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("secret_sha256"),
    sa.ForeignKeyConstraint(["organisation_id", "key_id"], ["access_keys.organisation_id", "access_keys.id"]),
)

athletes = sa.Table(
    "athletes",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    sa.Column("ref", sa.String(64)),
    sa.Column("birth_year", sa.Integer),
    sa.Column("birth_month", sa.Integer),
    sa.Column("sex", sa.String(16)),
    sa.Column("dominant_leg", sa.String(16)),
    sa.Column("entries", sa.Integer, nullable=False),
    sa.Column("head_digest", sa.String(71)),
    moment_column("erased_at"),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("organisation_id", "ref"),
    names_organisation(),
)

episodes = sa.Table(
    "episodes",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("athlete_id", nullable=False),
    sa.Column("ref", sa.String(64)),
    sa.Column("condition", sa.String(64)),
    sa.Column("involved_side", sa.String(16)),
    sa.Column("onset_on", sa.String(10)),
    sa.Column("other_side", sa.String(32)),
    uuid_column("recurrence_of"),
    sa.Column("closed_on", sa.Date),
    sa.Column("stage", sa.String(64)),
    sa.Column("participation", sa.String(32)),
    sa.Column("position_until", sa.Date),
    uuid_column("current_decision_id"),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("organisation_id", "ref"),
    _of_athlete(),
    sa.Index(None, "organisation_id", "closed_on"),
    sa.Index(None, "organisation_id", "athlete_id"),
)

record_entries = sa.Table(
    "record_entries",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("athlete_id", nullable=False),
    sa.Column("sequence", sa.Integer, nullable=False),
    uuid_column("episode_id"),
    sa.Column("kind", sa.String(32), nullable=False),
    moment_column("occurred_at", nullable=False),
    sa.Column("occurred_on", sa.Date, nullable=False),
    moment_column("recorded_at", nullable=False),
    uuid_column("actor_id", nullable=False),
    sa.Column("format", sa.Integer, nullable=False),
    sa.Column("salt", sa.String(64)),
    sa.Column("document", sa.Text),
    sa.Column("document_digest", sa.String(71), nullable=False),
    sa.Column("private", sa.Text),
    sa.Column("private_digest", sa.String(71), nullable=False),
    sa.Column("previous_digest", sa.String(71)),
    sa.Column("digest", sa.String(71), nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("organisation_id", "athlete_id", "sequence"),
    _of_athlete(),
    _of_episode(),
    names_actor(),
    one_of("kind", ENTRY_KINDS),
    sa.Index(None, "organisation_id", "recorded_at", "id"),
)

batteries = sa.Table(
    "batteries",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("athlete_id", nullable=False),
    uuid_column("episode_id"),
    sa.Column("ref", sa.String(64)),
    sa.Column("revision", sa.Integer, nullable=False),
    sa.Column("kind", sa.String(16), nullable=False),
    sa.Column("occasion", sa.String(64)),
    moment_column("performed_at", nullable=False),
    sa.Column("performed_on", sa.Date, nullable=False),
    uuid_column("posted_by", nullable=False),
    uuid_column("supersedes_id"),
    sa.Column("state", sa.String(16), nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    sa.UniqueConstraint("organisation_id", "ref", "revision"),
    sa.UniqueConstraint("organisation_id", "supersedes_id"),
    _of_athlete(),
    _of_episode(),
    _of_entry(),
    one_of("kind", ("assessment", "baseline", "follow_up")),
    one_of("state", ("standing", "superseded", "void")),
    sa.CheckConstraint("kind = 'baseline' OR episode_id IS NOT NULL", name="episode_unless_baseline"),
    sa.Index(None, "organisation_id", "athlete_id", "performed_at"),
)

decisions = sa.Table(
    "decisions",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("athlete_id", nullable=False),
    uuid_column("episode_id", nullable=False),
    sa.Column("sequence", sa.Integer, nullable=False),
    uuid_column("battery_id"),
    sa.Column("target_stage", sa.String(64), nullable=False),
    sa.Column("condition", sa.String(64), nullable=False),
    sa.Column("set_id", sa.String(64), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    moment_column("as_of", nullable=False),
    moment_column("decided_at", nullable=False),
    sa.Column("outcome", sa.String(8), nullable=False),
    *(sa.Column(kind, sa.Boolean, nullable=False) for kind in HOLD_KINDS),
    sa.Column("state", sa.String(16), nullable=False),
    sa.Column("stands_until", sa.Date),
    moment_column("signed_at"),
    uuid_column("posted_by", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    _of_athlete(),
    _of_episode(),
    _of_entry(),
    one_of("outcome", (PASS, "hold")),
    one_of("state", ("standing", "superseded", "withdrawn", "void")),
    sa.Index(None, "organisation_id", "battery_id"),
    sa.Index(None, "organisation_id", "decided_at", "id"),
    sa.Index(None, "organisation_id", "episode_id", "decided_at", "id"),
    sa.Index(None, "organisation_id", "athlete_id", "decided_at", "id"),
)

unmet_criteria = sa.Table(
    "unmet_criteria",
    METADATA,
    of_one_organisation(),
    uuid_column("decision_id", nullable=False),
    sa.Column("criterion_id", sa.String(64), nullable=False),
    sa.Column("status", sa.String(16), nullable=False),
    moment_column("decided_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "decision_id", "criterion_id"),
    sa.ForeignKeyConstraint(["organisation_id", "decision_id"], ["decisions.organisation_id", "decisions.id"]),
    sa.Index(None, "organisation_id", "criterion_id", "status", "decided_at", "decision_id"),
)

findings = sa.Table(
    "findings",
    METADATA,
    of_one_organisation(),
    uuid_column("athlete_id", nullable=False),
    uuid_column("episode_id", nullable=False),
    sa.Column("finding", sa.String(64), nullable=False),
    uuid_column("raised_by", nullable=False),
    uuid_column("resolved_by"),
    sa.PrimaryKeyConstraint("organisation_id", "episode_id", "finding", "raised_by"),
    _of_athlete(),
    _of_episode(),
    _of_entry("raised_by"),
    _of_entry("resolved_by"),
    sa.Index(None, "organisation_id", "athlete_id"),
    sa.Index(
        "uq_findings_open",
        "organisation_id",
        "episode_id",
        "finding",
        unique=True,
        sqlite_where=sa.text("resolved_by IS NULL"),
        postgresql_where=sa.text("resolved_by IS NULL"),
    ),
)

tasks = sa.Table(
    "tasks",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    uuid_column("athlete_id"),
    sa.Column("kind", sa.String(16), nullable=False),
    sa.Column("about", sa.String(80)),
    uuid_column("episode_id"),
    uuid_column("decision_id"),
    uuid_column("battery_id"),
    sa.Column("due_on", sa.Date, nullable=False),
    sa.Column("window_days", sa.Integer, nullable=False),
    sa.Column("state", sa.String(8), nullable=False),
    sa.Column("closed_because", sa.String(32)),
    moment_column("updated_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    _of_athlete(),
    _of_episode(),
    _of_entry("decision_id"),
    _of_entry("battery_id"),
    one_of("kind", TASK_KINDS),
    one_of("state", ("open", "closed")),
    sa.CheckConstraint("kind = 'criteria_review' OR athlete_id IS NOT NULL", name="athlete_unless_criteria"),
    sa.Index(None, "organisation_id", "state", "due_on", "id"),
    sa.Index(None, "organisation_id", "athlete_id"),
    sa.Index(None, "organisation_id", "episode_id"),
    sa.Index(
        "uq_tasks_open_retest",
        "organisation_id",
        "episode_id",
        unique=True,
        sqlite_where=sa.text("state = 'open' AND kind = 'retest'"),
        postgresql_where=sa.text("state = 'open' AND kind = 'retest'"),
    ),
    sa.Index(
        "uq_tasks_follow_up",
        "organisation_id",
        "battery_id",
        unique=True,
        sqlite_where=sa.text("kind = 'follow_up'"),
        postgresql_where=sa.text("kind = 'follow_up'"),
    ),
)

criteria_versions = sa.Table(
    "criteria_versions",
    METADATA,
    of_one_organisation(),
    sa.Column("set_id", sa.String(64), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("digest", sa.String(71), nullable=False),
    sa.Column("document", sa.Text, nullable=False),
    sa.Column("source", sa.Text),
    sa.Column("examples", sa.Text),
    sa.Column("in_force_from", sa.Date, nullable=False),
    uuid_column("published_by", nullable=False),
    moment_column("published_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "set_id", "version"),
    names_actor("published_by"),
    sa.Index(None, "organisation_id", "digest"),
)

criteria_retirements = sa.Table(
    "criteria_retirements",
    METADATA,
    of_one_organisation(),
    sa.Column("set_id", sa.String(64), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("retired_from", sa.Date, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    uuid_column("actor_id", nullable=False),
    moment_column("recorded_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "set_id", "version"),
    sa.ForeignKeyConstraint(
        ["organisation_id", "set_id", "version"],
        ["criteria_versions.organisation_id", "criteria_versions.set_id", "criteria_versions.version"],
    ),
    names_actor(),
)

criteria_drafts = sa.Table(
    "criteria_drafts",
    METADATA,
    of_one_organisation(),
    sa.Column("set_id", sa.String(64), nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("source", sa.Text, nullable=False),
    sa.Column("examples", sa.Text, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
    uuid_column("edited_by", nullable=False),
    moment_column("edited_at", nullable=False),
    sa.PrimaryKeyConstraint("organisation_id", "set_id", "version"),
    names_actor("edited_by"),
)

audit_log = sa.Table(
    "audit_log",
    METADATA,
    of_one_organisation(),
    uuid_column("id", nullable=False),
    moment_column("at", nullable=False),
    uuid_column("actor_id", nullable=False),
    sa.Column("action", sa.String(64), nullable=False),
    sa.Column("object_kind", sa.String(32), nullable=False),
    sa.Column("object_id", sa.String(140)),
    uuid_column("athlete_id"),
    sa.Column("request_id", sa.String(64)),
    sa.Column("detail", sa.Text),
    sa.PrimaryKeyConstraint("organisation_id", "id"),
    names_actor(),
    sa.Index(None, "organisation_id", "at", "id"),
    sa.Index(None, "organisation_id", "athlete_id", "at"),
)
