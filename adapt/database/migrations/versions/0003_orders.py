"""Moves that were ordered, beside those that were made.

It stands for itself: what `schema` says may move on, this may not.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the table of orders with its index and triggers."""
    op.create_table(
        "orders",
        sa.Column("order", NUMBER, nullable=False, primary_key=True, autoincrement=False),
        pointing("change", "changes.change"),
        pointing("job", "names.name"),
        pointing("after_run", "names.name"),
        pointing("known", "changes.change"),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_index("ix_orders_job", "orders", ["job"])
    refuse_changes("orders")


def pointing(column: str, at: str) -> sa.Column[int]:
    key = sa.ForeignKey(at, name=f"fk_orders_{column}")
    return sa.Column(column, NUMBER, key, nullable=False)


def refuse_changes(table: str) -> None:
    """Let the database itself refuse to update or delete a row, as of all other tables."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'this logbook is append only'); END"
            )
        return
    op.execute(
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION logbook_append_only()"
    )
