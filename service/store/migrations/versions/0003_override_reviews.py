"""A task of a third kind: the review that an override asks for."""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade():
    # On SQLite the table is made anew, with its rows, its keys and its indexes; no guard stands on it.
    with op.batch_alter_table("tasks") as batch:
        batch.drop_constraint(op.f("ck_tasks_kind_known"), type_="check")
        batch.create_check_constraint(op.f("ck_tasks_kind_known"), "kind IN ('retest', 'follow_up', 'override_review')")
