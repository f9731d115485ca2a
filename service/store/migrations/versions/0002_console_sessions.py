"""Who is signed in at the console."""

import sqlalchemy as sa
from alembic import op

from service.store.types import UtcMoment

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        "console_sessions",
        sa.Column("organisation_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("key_id", sa.Uuid(as_uuid=False), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("created_at", UtcMoment(), nullable=False),
        sa.Column("seen_at", UtcMoment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "key_id"],
            ["access_keys.organisation_id", "access_keys.id"],
            name=op.f("fk_console_sessions_organisation_id_key_id"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_console_sessions")),
        sa.UniqueConstraint("secret_sha256", name=op.f("uq_console_sessions_secret_sha256")),
    )
