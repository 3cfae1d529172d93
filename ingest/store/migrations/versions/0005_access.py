"""Who may come in: people, their sessions, tokens, and the setup code."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("folded", sa.String(160), nullable=False, unique=True),
        sa.Column("password", sa.String(200), nullable=False),
        sa.Column("scope", sa.String(20), nullable=False),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "session",
        sa.Column("digest", sa.LargeBinary(32), primary_key=True),
        sa.Column("person", KEY, sa.ForeignKey("person.id", ondelete="CASCADE"), nullable=False, index=True),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("used_ms", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "token",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("name", sa.String(80), nullable=False),
        sa.Column("digest", sa.LargeBinary(32), nullable=False, unique=True),
        sa.Column("scope", sa.String(20), nullable=False),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("created_by", sa.String(80), nullable=False),
        sa.Column("expires_ms", sa.BigInteger),
        sa.Column("used_ms", sa.BigInteger),
        sa.Column("revoked_ms", sa.BigInteger),
    )
    op.create_table(
        "setup_code",
        sa.Column("digest", sa.LargeBinary(32), primary_key=True),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
    )
