"""Sets can be withdrawn; views in text of what is in force, for people with SQL tools.

It stands for itself: what `schema` says may move on, this may not. The program does not use the
views: it reads rows by their numbers.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")

IN_TEXT = {
    # table: (names, cells), in the order of the log's columns
    "runs": (
        "rotor job run design",
        "started aircraft note gross_weight wind_kt oat_c rpm",
    ),
    "readings": (
        "job run regime sensor",
        "amplitude clock phase_deg spread repeats excluded unit",
    ),
    "track": ("job run regime blade", "height lag excluded unit"),
    "moves": ("job after_run blade adjuster", "amount unit"),
    "fitted": ("job blade adjuster", "amount unit"),
    "events": ("job after_run kind sensor note", ""),
    "reviews": (
        "review job run",
        "table after_run decision kind explanation by decided note",
    ),
    "corrections": (
        "review table job after_run run blade adjuster sensor regime",
        "entered entered_clock entered_phase_deg corrected corrected_clock corrected_phase_deg",
    ),
}


def upgrade() -> None:
    """Make the table of withdrawals with its triggers, and the views."""
    op.create_table(
        "withdrawals",
        sa.Column("withdrawal", NUMBER, nullable=False, primary_key=True, autoincrement=False),
        sa.Column(
            "change",
            NUMBER,
            sa.ForeignKey("changes.change", name="fk_withdrawals_change"),
            nullable=False,
        ),
        sa.Column(
            "set", NUMBER, sa.ForeignKey("sets.set", name="fk_withdrawals_set"), nullable=False
        ),
        sa.Column("why", sa.Text, nullable=False),
        sa.UniqueConstraint("set", name="uq_withdrawals_set"),
    )
    refuse_changes("withdrawals")
    for table, (names, cells) in IN_TEXT.items():
        op.execute(view(table, names.split(), cells.split()))


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


def view(table: str, names: list[str], cells: list[str]) -> str:
    """Return what makes the view of a table: rows that nothing replaces and that are not void."""
    columns = [
        "e.entry",
        *(f'n{i}.text AS "{c}"' for i, c in enumerate(names)),
        *(f'e."{c}"' for c in cells),
        "e.extra",
        "e.change",
        "c.who AS entered_by",
        "c.recorded AS entered_on",
    ]
    joins = [f'JOIN names n{i} ON n{i}.name = e."{c}"' for i, c in enumerate(names)]
    return (
        f"CREATE VIEW {table}_in_force AS SELECT {', '.join(columns)} FROM {table} e "
        f"JOIN changes c ON c.change = e.change {' '.join(joins)} "
        f"WHERE e.void = 0 AND NOT EXISTS (SELECT 1 FROM {table} l WHERE l.replaces = e.entry)"
    )
