"""How good each forecast was, lead by lead."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "score",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("site", sa.String(40), nullable=False),
        sa.Column("issued_ms", sa.BigInteger, nullable=False),
        sa.Column("lead_d", sa.Integer, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("due_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("site", "issued_ms", "lead_d", name="score_once"),
    )
    op.create_index("score_due", "score", ["state", "due_ms"])
