"""The track heights of a log, re-centred, for the regimes in which every blade was read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from adapt.columns import check_units, known_positions, without_duplicates
from adapt.findings import Findings
from adapt.log.readings import TIMES_LIMIT, excluded_frame, excluded_rows
from adapt.log.scope import Scope
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = ["track_of"]


def track_of(
    rotor: Rotor, table: Table, scope: Scope, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return heights and excluded rows, with `at` = position in the runs of `scope`.

    Heights are re-centred on the blades' mean [track_unit]; a regime with a blade missing is left
    out with a doubt. Rows with a fault are left out; the caller sets their job aside.
    """
    table = scope.rows_of(table, findings)
    if not rotor.has_track and len(table):
        expected = "no track: the rotor file has no track_unit; the table was not used"
        findings.doubt(table, [0], "height", expected, jobs=False)
        table = table.select(np.zeros(len(table), dtype=bool))
    run = scope.run_positions(table, "run", findings)
    excluded = excluded_rows(table, findings)
    used = ~excluded
    regime = known_positions(
        table, "regime", rotor.regime_names, "a regime of the rotor file", findings, used
    )
    blade = known_positions(
        table, "blade", rotor.blades, "a blade of the rotor file", findings, used
    )
    units = np.full(len(table), rotor.track_unit or "", dtype=object)
    check_units(table, ("height",), units, "track", findings)
    height, bad = table.numbers("height")
    findings.fault(table, used & bad, "height", "a number (up positive)")
    lag, bad_lag = table.numbers("lag")
    findings.fault(table, used & bad_lag, "lag", "a number (aft positive), or nothing")

    blades, regimes = len(rotor.blades), max(len(rotor.regimes), 1)
    clean = used & ~bad & ~bad_lag & (run >= 0) & (regime >= 0) & (blade >= 0)
    group = run * regimes + regime
    clean = without_duplicates(
        table,
        group * blades + blade,
        clean,
        "blade",
        "each blade of a run and regime once",
        findings,
    )
    clean &= ~np.isnan(height)
    groups, back, count = np.unique(group[clean], return_inverse=True, return_counts=True)
    mean = np.bincount(back, height[clean], len(groups)) / np.maximum(count, 1)
    frame = pd.DataFrame(
        {
            "at": run[clean],
            "regime": regime[clean],
            "blade": blade[clean],
            "height": height[clean] - mean[back] if len(groups) else height[clean],
            "lag": lag[clean],
        }
    )
    whole = count[back] == blades if len(groups) else np.zeros(0, dtype=bool)
    _note_missing(
        rotor,
        table,
        group,
        used & (run >= 0) & (regime >= 0),
        groups[count == blades],
        _excluded_groups(rotor, table, run, excluded),
        findings,
    )
    rows = np.flatnonzero(clean)[whole]
    _check_size(rotor, table, rows, frame[whole], findings)
    return frame[whole], excluded_frame("track", table, run, excluded & (run >= 0))


def _excluded_groups(
    rotor: Rotor, table: Table, run: np.ndarray, excluded: np.ndarray
) -> np.ndarray:
    """Return the runs and regimes, as numbers of `group`, in which a blade was excluded."""
    place = {name: i for i, name in enumerate(rotor.regime_names)}
    regime = table.column("regime").each(lambda text: place.get(text, -1), np.intp)
    groups: np.ndarray = (run * max(len(rotor.regimes), 1) + regime)[
        excluded & (run >= 0) & (regime >= 0)
    ]
    return groups


def _note_missing(
    rotor: Rotor,
    table: Table,
    group: np.ndarray,
    used: np.ndarray,
    whole: np.ndarray,
    with_excluded: np.ndarray,
    findings: Findings,
) -> None:
    """Note regimes of a run in which a blade is missing that nobody excluded."""
    rows = np.flatnonzero(used & ~np.isin(group, whole) & ~np.isin(group, with_excluded))
    _, first = np.unique(group[rows], return_index=True)
    expected = f"a height of each of the {len(rotor.blades)} blades; the regime was left out"
    cells = table.column("regime")
    findings.doubt(
        table,
        rows[np.sort(first)],
        "height",
        expected,
        found=lambda i: f"a blade without one in {cells.texts[cells.codes[i]][:60]}",
    )


def _check_size(
    rotor: Rotor, table: Table, rows: np.ndarray, frame: pd.DataFrame, findings: Findings
) -> None:
    """Note track spreads beyond ten times the limit."""
    limits = np.full(max(len(rotor.regimes), 1), np.inf)
    for j, name in enumerate(rotor.regime_names):
        in_force = [rotor.limit_for(None, name, chosen) for chosen in (None, *rotor.limit_sets())]
        limits[j] = max((x.limit for x in in_force if x is not None), default=np.inf)
    by = frame.groupby(["at", "regime"], sort=False)["height"]
    spread = (by.transform("max") - by.transform("min")).to_numpy()
    limit = limits[frame["regime"].to_numpy()]
    far = ~frame.duplicated(["at", "regime"]).to_numpy() & (spread > TIMES_LIMIT * limit)
    size = dict(zip(rows.tolist(), zip(spread, limit, strict=True), strict=True))
    findings.doubt(
        table,
        rows[far],
        "height",
        lambda i: f"at most {TIMES_LIMIT:g} times the limit of {size[int(i)][1]:g}",
        found=lambda i: f"a track spread of {size[int(i)][0]:g}",
    )
