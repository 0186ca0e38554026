"""The first schema: changes with their rows, and triggers that refuse to change or remove any.

It stands for itself: what `schema` says may move on, this may not.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer, "sqlite")

LOG_TABLES = {
    # table: (key, other names, cells)
    "runs": (
        "job run", "rotor design", "started aircraft note gross_weight wind_kt oat_c rpm",
    ),
    "readings": (
        "job run regime sensor", "", "amplitude clock phase_deg spread repeats excluded unit",
    ),
    "track": ("job run regime blade", "", "height lag excluded unit"),
    "moves": ("job after_run blade adjuster", "", "amount unit"),
    "fitted": ("job blade adjuster", "", "amount unit"),
    "events": ("job after_run kind sensor note", "", ""),
    "reviews": (
        "review", "job run", "table after_run decision kind explanation by decided note",
    ),
    "corrections": (
        "review table job after_run run blade adjuster sensor regime", "",
        "entered corrected entered_clock entered_phase_deg corrected_clock corrected_phase_deg",
    ),
}  # fmt: skip
OTHERS = ("changes", "seals", "names", "headers", "job_states", "documents", "sets")


def upgrade() -> None:
    """Make every table, its indexes, and the triggers."""
    op.create_table(
        "changes",
        own("change"),
        *(text(c) for c in ("recorded",)),
        text("clock", nullable=True),
        *(text(c) for c in ("who", "what", "note", "source", "program")),
    )
    op.create_table(
        "seals",
        sa.Column(
            "change",
            NUMBER,
            sa.ForeignKey("changes.change", name="fk_seals_change"),
            primary_key=True,
            autoincrement=False,
        ),
        text("counts"),
        text("digests"),
        text("digest"),
    )
    op.create_table(
        "names",
        own("name"),
        of_change("names"),
        sa.Column("digest", sa.LargeBinary(16), nullable=False),
        text("text"),
        sa.UniqueConstraint("digest", name="uq_names_digest"),
    )
    op.create_table(
        "headers", own("header"), of_change("headers"), text("log_table"),
        text("columns"),
    )  # fmt: skip
    op.create_table(
        "job_states",
        own("state"),
        of_change("job_states"),
        number("job", "names.name", "job_states"),
        text("status"),
        number("closing_run", "names.name", "job_states", nullable=True),
        text("released_by"),
        text("note"),
    )
    op.create_index("ix_job_states_job", "job_states", ["job"])
    op.create_table(
        "documents", own("document"), of_change("documents"),
        *(text(c) for c in ("kind", "label", "file", "digest")),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )  # fmt: skip
    op.create_table(
        "sets",
        own("set"),
        of_change("sets"),
        text("label"),
        text("design"),
        number("known", "changes.change", "sets"),
        number("rotor", "documents.document", "sets"),
        number("chart", "documents.document", "sets", nullable=True),
        *(text(c) for c in ("settings", "programs", "digest")),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("label", name="uq_sets_label"),
    )
    for name, (key, others, cells) in LOG_TABLES.items():
        log_table(name, key.split(), others.split(), cells.split())
    refuse_changes((*OTHERS, *LOG_TABLES))


def own(name: str) -> sa.Column[int]:
    return sa.Column(name, NUMBER, nullable=False, primary_key=True, autoincrement=False)


def of_change(table: str) -> sa.Column[int]:
    return number("change", "changes.change", table)


def number(name: str, target: str, table: str, nullable: bool = False) -> sa.Column[int]:
    key = sa.ForeignKey(target, name=f"fk_{table}_{name}")
    return sa.Column(name, NUMBER, key, nullable=nullable)


def text(name: str, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=nullable)


def log_table(name: str, key: list[str], others: list[str], cells: list[str]) -> None:
    op.create_table(
        name,
        own("entry"),
        of_change(name),
        number("replaces", f"{name}.entry", name, nullable=True),
        sa.Column("void", sa.SmallInteger, nullable=False),
        *(sa.Column(c, NUMBER, nullable=False) for c in (*key, *others)),
        *(text(c, nullable=True) for c in cells),
        text("extra", nullable=True),
    )
    for index, columns, where in (
        (f"uq_{name}_fact", key, "replaces IS NULL"),
        (f"uq_{name}_replaces", ["replaces"], "replaces IS NOT NULL"),
    ):
        op.create_index(
            index, name, columns, unique=True, sqlite_where=sa.text(where),
            postgresql_where=sa.text(where),
        )  # fmt: skip
    if name == "runs":
        op.create_index("ix_runs_rotor", name, ["rotor"])
    elif key[0] != "job":
        op.create_index(f"ix_{name}_job", name, ["job"])


def refuse_changes(tables: tuple[str, ...]) -> None:
    """Let the database itself refuse to update or delete a row."""
    if op.get_bind().dialect.name == "sqlite":
        for table in tables:
            for verb in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                    "BEGIN SELECT RAISE(ABORT, 'this logbook is append only'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION logbook_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'this logbook is append only'; END $$"
    )
    for table in tables:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION logbook_append_only()"
        )
