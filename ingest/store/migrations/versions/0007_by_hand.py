"""What somebody measured by hand: a number in the log, and parts as long as a sensor's id."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    with op.batch_alter_table("site_log") as table:
        table.add_column(sa.Column("value", sa.Float))
        table.alter_column("part", existing_type=sa.String(40), type_=sa.String(100), existing_nullable=False)
