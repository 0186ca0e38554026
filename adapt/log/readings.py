"""The readings of a log: amplitudes and phases in, complex numbers (lag) out.

Combination sensors that were not read themselves are derived from their parts.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from adapt.columns import (
    check_plain_units,
    check_units,
    known_positions,
    phases,
    without_duplicates,
)
from adapt.findings import Findings, Mask
from adapt.log.correcting import correct_readings
from adapt.log.corrections import Corrections, keys_of
from adapt.log.scope import Scope
from adapt.phasor import to_complex, to_lag
from adapt.rotor import Rotor
from adapt.tables import Table

__all__ = ["TIMES_LIMIT", "excluded_frame", "excluded_rows", "readings_of"]

TIMES_LIMIT = 10.0
_NOT_A_REASON = frozenset({"no", "n", "false", "0", "-"})


def excluded_rows(table: Table, findings: Findings) -> Mask:
    """Return which rows somebody excluded by giving a reason."""
    cells = table.column("excluded")
    no_reason = cells.each(lambda text: text.casefold() in _NOT_A_REASON, bool)
    findings.doubt(table, no_reason, "excluded", "a reason, or nothing; the row was used")
    given: Mask = cells.each(bool, bool)
    used: Mask = given & ~no_reason
    return used


def readings_of(
    rotor: Rotor, table: Table, scope: Scope, corrections: Corrections, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return readings as corrected and excluded ones, with `at` = position in the scope's runs.

    Rows with a fault are left out here; the caller sets their job aside.
    """
    check_plain_units(table, findings)
    table = scope.rows_of(table, findings)
    run = scope.run_positions(table, "run", findings)
    excluded = excluded_rows(table, findings)
    used = ~excluded
    sensor_names = [s.name for s in rotor.sensors]
    sensor = known_positions(
        table, "sensor", sensor_names, "a sensor of the rotor file", findings, used
    )
    regime = known_positions(
        table, "regime", rotor.regime_names, "a regime of the rotor file", findings, used
    )
    units = np.array([*(s.unit for s in rotor.sensors), ""], dtype=object)[sensor]
    check_units(table, ("amplitude", "spread"), units, "sensor", findings)

    amplitude, bad = table.numbers("amplitude")
    phase, bad_phase = phases(table, used, findings)
    not_given = np.isnan(amplitude) & ~bad
    no_phase = np.isnan(phase) & ~bad_phase
    not_read = used & not_given & no_phase
    findings.doubt(table, not_read, "amplitude", "a reading; the row was taken as not read")
    bad_amplitude = used & ~not_read & (bad | not_given | (amplitude < 0))
    findings.fault(table, bad_amplitude, "amplitude", "a number of at least 0 (the peak)")
    phase_missing = used & ~bad_amplitude & (amplitude > 0) & no_phase
    findings.fault(
        table,
        phase_missing,
        "clock",
        "a clock angle or phase_deg beside this amplitude",
        found="no phase",
    )

    spread, bad_spread = table.numbers("spread")
    bad_spread = used & (bad_spread | (spread < 0))
    findings.fault(table, bad_spread, "spread", "a standard deviation above 0, or nothing")
    findings.doubt(
        table, used & (spread == 0), "spread", "a spread above 0; it was taken as not known"
    )
    repeats, bad_repeats = table.numbers("repeats")
    bad_repeats = used & (bad_repeats | (repeats < 1) | (repeats > 1e6) | (repeats % 1 > 0))
    findings.fault(table, bad_repeats, "repeats", "a whole number of at least 1, or nothing")

    clean = (
        used & ~not_read & ~bad_amplitude & ~bad_phase & ~phase_missing & ~bad_spread & ~bad_repeats
    )
    clean &= (run >= 0) & (sensor >= 0) & (regime >= 0)
    key = keys_of(rotor, run, sensor, regime)
    clean = without_duplicates(table, key, clean, "sensor", "each reading of a run once", findings)
    put_right = corrections.readings
    right = keys_of(rotor, put_right["at"], put_right["sensor"], put_right["regime"])
    size = np.where(clean & ~np.isin(key, right), amplitude, 0.0)
    everywhere = np.arange(len(table))
    _check_size(rotor, table, "amplitude", sensor, regime, size, everywhere, findings)
    scatter = np.where(clean, np.nan_to_num(spread), 0.0)
    _check_size(rotor, table, "spread", sensor, regime, scatter, everywhere, findings, times=1.0)
    _check_size(
        rotor, corrections.table, "corrected", put_right["sensor"].to_numpy(),
        put_right["regime"].to_numpy(), np.abs(put_right["value"].to_numpy()),
        put_right["index"].to_numpy(), findings,
    )  # fmt: skip

    value = to_complex(np.where(clean, amplitude, 0.0), np.where(np.isnan(phase), 0.0, phase))
    lead = np.array([s.phase == "lead" for s in rotor.sensors] + [False])[sensor]
    value = np.where(lead, to_lag(value, "lead"), value)
    frame = pd.DataFrame(
        {
            "at": run,
            "row": table.rows,
            "sensor": sensor,
            "regime": regime,
            "value": value,
            "spread": np.where(spread > 0, spread, np.nan),
            "repeats": np.where(np.isnan(repeats), 1, np.where(bad_repeats, 1, repeats)).astype(
                np.int64
            ),
        }
    )
    out = excluded & (run >= 0)
    left_out = excluded_frame("readings", table, run, out)
    direct = _direct_keys(rotor, table, run, out)
    readings, dropped = correct_readings(rotor, frame[clean], corrections, scope, findings)
    direct |= {
        (int(at), int(s), int(g))
        for at, s, g in zip(dropped["at"], dropped["sensor"], dropped["regime"], strict=True)
    }
    left_out = pd.concat([left_out, _dropped_frame(rotor, dropped)], ignore_index=True)
    return _with_combinations(rotor, readings.drop(columns="row"), direct), left_out


def _check_size(
    rotor: Rotor,
    table: Table,
    column: str,
    sensor: Any,
    regime: Any,
    amplitude: Any,
    index: Any,
    findings: Findings,
    times: float = TIMES_LIMIT,
) -> None:
    """Note amplitudes (or spreads) beyond so many times the loosest limit of their channel.

    index: the position in the table of each of them.
    """
    limits = np.full((len(rotor.sensors) + 1, len(rotor.regimes) + 1), np.inf)
    for i, s in enumerate(rotor.sensors):
        for j, name in enumerate(rotor.regime_names):
            in_force = [
                rotor.limit_for(s.name, name, chosen) for chosen in (None, *rotor.limit_sets())
            ]
            limits[i, j] = max((x.limit for x in in_force if x is not None), default=np.inf)
    limit = limits[sensor, regime]
    far = amplitude > times * limit
    told = dict(zip(index[far].tolist(), limit[far].tolist(), strict=True))
    findings.doubt(
        table,
        index[far],
        column,
        lambda i: "at most " + (f"{times:g} times " if times != 1 else "")
        + f"the limit of {told[i]:g}",
    )  # fmt: skip


def excluded_frame(name: str, table: Table, run: Any, out: Mask) -> pd.DataFrame:
    """Return the excluded rows of a table as `History.excluded` shows them."""
    chosen = table.select(out)
    columns = ["regime", "sensor", "blade"]
    return pd.DataFrame(
        {
            "at": run[out],
            "table": np.full(len(chosen), name, dtype=object),
            "row": chosen.rows,
            **{c: chosen.text(c) for c in columns},
            "reason": chosen.text("excluded"),
        }
    )


def _dropped_frame(rotor: Rotor, dropped: pd.DataFrame) -> pd.DataFrame:
    """Return readings that a review excludes as `History.excluded` shows them."""
    sensors, regimes = [s.name for s in rotor.sensors], rotor.regime_names
    return pd.DataFrame(
        {
            "at": dropped["at"].to_numpy(),
            "table": np.full(len(dropped), "readings", dtype=object),
            "row": dropped["row"].to_numpy(),
            "regime": [regimes[g] for g in dropped["regime"]],
            "sensor": [sensors[s] for s in dropped["sensor"]],
            "blade": np.full(len(dropped), "", dtype=object),
            "reason": [f"review {review}" for review in dropped["review"]],
        }
    )


def _direct_keys(rotor: Rotor, table: Table, run: Any, out: Mask) -> set[tuple[int, int, int]]:
    """Return (run, sensor, regime) of excluded combinations: they are not derived either."""
    combined = {s.name: i for i, s in enumerate(rotor.sensors) if s.combination is not None}
    regimes = {name: i for i, name in enumerate(rotor.regime_names)}
    sensors, where = table.text("sensor"), table.text("regime")
    return {
        (int(run[i]), combined[sensors[i]], regimes.get(where[i], -1))
        for i in np.flatnonzero(out)
        if sensors[i] in combined
    }


def _with_combinations(
    rotor: Rotor, frame: pd.DataFrame, not_derived: set[tuple[int, int, int]]
) -> pd.DataFrame:
    """Return the readings with those of combination sensors that were not read themselves."""
    index = {s.name: i for i, s in enumerate(rotor.sensors)}
    every = [frame]
    for number, sensor in enumerate(rotor.sensors):
        if sensor.combination is None:
            continue
        derived: pd.DataFrame | None = None
        for part, factor in sensor.combination.items():
            rows = frame[frame["sensor"] == index[part]].set_index(["at", "regime"])
            one = pd.DataFrame(
                {
                    "value": factor * rows["value"],
                    "variance": factor**2 * rows["spread"] ** 2,
                    "repeats": rows["repeats"],
                }
            )
            if derived is None:
                derived = one
                continue
            both = derived.index.intersection(one.index)
            derived, one = derived.loc[both], one.loc[both]
            derived = pd.DataFrame(
                {
                    "value": derived["value"] + one["value"],
                    "variance": derived["variance"] + one["variance"],
                    "repeats": np.minimum(derived["repeats"], one["repeats"]),
                }
            )
        if derived is None:
            continue
        read = frame[frame["sensor"] == number].set_index(["at", "regime"]).index
        left_out = pd.Index([(a, r) for a, s, r in not_derived if s == number])
        derived = derived[~derived.index.isin(read) & ~derived.index.isin(left_out)]
        derived = derived.reset_index()
        derived["sensor"] = number
        derived["spread"] = np.sqrt(derived.pop("variance"))
        every.append(derived[list(frame.columns)])
    return pd.concat(every, ignore_index=True) if len(every) > 1 else frame
