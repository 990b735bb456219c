"""How an inspection lies over the photo before it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; what was measured before has none, and is compared by the reasons' names alone."""
    with op.batch_alter_table("inspection") as batch:
        batch.add_column(sa.Column("since", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take it away."""
    with op.batch_alter_table("inspection") as batch:
        batch.drop_column("since")
