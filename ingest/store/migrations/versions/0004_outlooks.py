"""The newest outlook that somebody gave for each site."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "outlook",
        sa.Column("site", sa.String(40), primary_key=True),
        sa.Column("issued_ms", sa.BigInteger, nullable=False),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.LargeBinary, nullable=False),
    )
