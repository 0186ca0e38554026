"""The table of amplitude-only runs: its reader, and what it says of one sensor in one regime.

One row a run: `run, amplitude, blade, adjuster, amount`; the run without a trial weight has nothing
in the last three, and may be repeated. `amount` is what is fitted in that run on top of what the
rotor carried in the run without; weights on several blades are several rows of the same run.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from os import PathLike

import numpy as np
import numpy.typing as npt

from adapt.balancing.trial.amplitudes import (
    ENOUGH_FREEDOM,
    MIRRORED,
    MOST_DOUBT,
    PARAMETERS,
    POORLY_KNOWN,
    NoiseFrom,
    WithoutPhase,
    fit_amplitudes,
)
from adapt.columns import check_units, known_positions
from adapt.effects import blade_phasors
from adapt.findings import Findings
from adapt.learning.fitting.expected import expected_noise
from adapt.phasor import LARGEST_NUMBER
from adapt.problems import BadInput, Problem, one_of, shown
from adapt.rotor import Adjuster, Rotor, Sensor
from adapt.tables import Table, read_table

__all__ = ["AmplitudeRuns", "read_amplitudes", "without_phase"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class AmplitudeRuns:
    """Runs of one sensor in one regime, with the trial weights that they carried.

    runs: names in order. amplitudes: (run,) [sensor's unit]. amounts: (run, blade) [adjuster's
    unit]. weights: (run,) complex, amount at an angle in passing order from the first blade.
    doubts: what was doubtful and used.
    """

    runs: tuple[str, ...]
    amplitudes: Real
    amounts: Real
    weights: Complex
    adjuster: Adjuster
    sensor: Sensor
    regime: str
    doubts: tuple[Problem, ...]
    source: str


def read_amplitudes(
    path: str | PathLike[str], rotor: Rotor, sensor: str, regime: str
) -> AmplitudeRuns:
    """Read a table of amplitude-only runs (CSV or .xlsx) of one sensor in one regime.

    Raises BadInput with every problem found: unknown names, units other than the sensor's or the
    adjuster's, numbers missing, a blade without an amount, more than one adjuster.
    """
    table = read_table(path)
    chosen = _sensor_of(rotor, sensor, regime, str(path))
    findings = Findings()
    findings.add(table.problems)
    table.require(["run", "amplitude", "blade", "amount"])
    unnamed = ~table.column("run").each(bool, bool)
    findings.fault(table, unnamed, "run", "the name of a run")
    check_units(table, ("amplitude",), np.full(len(table), chosen.unit, object), "sensor", findings)
    amplitude, bad = table.numbers("amplitude")
    findings.fault(table, bad | (amplitude < 0), "amplitude", "a number of at least 0")
    loaded, blade, adjuster, amount = _weights(rotor, table, findings)
    names = [str(name) for name in table.text("run")]
    runs = list(dict.fromkeys(names))
    of_run = np.array([runs.index(name) for name in names], dtype=np.intp)
    read = _one_each(table, of_run, np.where(bad, np.nan, amplitude), len(runs), findings)
    empty_and_loaded = np.isin(of_run, of_run[~loaded]) & loaded
    findings.fault(
        table, empty_and_loaded, "blade", "no weight: another row says that this run had none",
        found="a weight",
    )  # fmt: skip
    findings.require_rows(table, "a row for each run")
    findings.raise_if_any()
    amounts = np.zeros((len(runs), len(rotor.blades)))
    np.add.at(amounts, (of_run[loaded], blade[loaded]), amount[loaded])
    column = int(adjuster[loaded][0]) if loaded.any() else 0
    return AmplitudeRuns(
        runs=tuple(runs),
        amplitudes=read,
        amounts=amounts,
        weights=amounts @ blade_phasors(rotor, 1),
        adjuster=rotor.adjusters[column],
        sensor=chosen,
        regime=regime,
        doubts=tuple(findings.doubts),
        source=table.file,
    )


def without_phase(rotor: Rotor, runs: AmplitudeRuns, noise_sd: float | None = None) -> WithoutPhase:
    """Return the correction that these runs leave, see `amplitudes.fit_amplitudes`.

    noise_sd: of one run against another, per component [sensor's unit]; None = from the rotor file,
    else from the residual where enough readings are left over, else as `adapt learn` expects it
    before a log says better. Where all blades that take the adjuster stand on one line themselves
    (two blades), its part along that line is all that there is to correct, and that an answer has a
    mirror image is no reason against it. Raises BadInput for a noise that is not above 0, and as
    `fit_amplitudes` does.
    """
    noise_from: NoiseFrom = "given"
    if noise_sd is not None and not 0.0 < noise_sd <= LARGEST_NUMBER:
        raise BadInput([Problem("fault", "noise", None, None, f"{noise_sd:g}", "a number above 0")])
    if noise_sd is None:
        expected, stated = expected_noise(rotor)
        at = rotor.channels.index((runs.sensor.name, runs.regime))
        if stated[at] or len(runs.runs) - PARAMETERS < ENOUGH_FREEDOM:
            noise_sd = float(np.sqrt((expected.reading_var[at] + expected.run_var[at]) / 2.0))
            noise_from = "rotor file" if stated[at] else "expected"
    found = fit_amplitudes(runs.amplitudes, runs.weights, noise_sd, noise_from)
    if found.on_line is not None and _only_a_line(rotor, runs.adjuster):
        reasons = tuple(
            r for r in found.reasons if r != MIRRORED and not r.startswith(POORLY_KNOWN)
        )
        line = found.on_line
        if line.sd > MOST_DOUBT * abs(line.correction):
            reasons = (*reasons, "what the blades can take is poorly known, or next to nothing")
        found = replace(found, reasons=reasons, line_is_all=True)
    return found


def _only_a_line(rotor: Rotor, adjuster: Adjuster) -> bool:
    """Return whether the blades that take an adjuster stand on one line through the shaft."""
    taking = [b for b, name in enumerate(rotor.blades) if adjuster.fits(name)]
    turned = blade_phasors(rotor, 1)[taking]
    return bool(np.abs((turned * turned[0].conj()).imag).max() < 1e-6)


def _sensor_of(rotor: Rotor, sensor: str, regime: str, source: str) -> Sensor:
    sensors = [s.name for s in rotor.sensors]
    problems = [
        Problem("fault", source, None, what, shown(name), _known(what, name, known))
        for what, name, known in (
            ("sensor", sensor, sensors),
            ("regime", regime, list(rotor.regime_names)),
        )
        if name not in known
    ]  # fmt: skip
    if not problems and rotor.sensor(sensor).order != 1:
        problems = [
            Problem("fault", source, None, "sensor", f"order {rotor.sensor(sensor).order}",
                    "a sensor of order 1: a weight's angle shows there alone")
        ]  # fmt: skip
    if problems:
        raise BadInput(problems)
    return rotor.sensor(sensor)


def _known(what: str, name: str, known: list[str]) -> str:
    return one_of(f"a {what} of the rotor file", name, known)


def _weights(
    rotor: Rotor, table: Table, findings: Findings
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.intp], npt.NDArray[np.intp], Real]:
    """Return which rows carry a weight, its blade, adjuster and amount; faults are noted."""
    loaded = table.column("blade").each(bool, bool)
    with_amount = table.column("amount").each(bool, bool)
    findings.fault(
        table, with_amount & ~loaded, "blade", "the blade that carries this amount",
    )  # fmt: skip
    amount, bad = table.numbers("amount")
    findings.fault(table, bad, "amount", "a number")
    findings.fault(
        table, loaded & ~bad & ~(np.abs(amount) > 0), "amount", "what the blade carries, not 0"
    )
    blade = known_positions(
        table, "blade", rotor.blades, "a blade of the rotor file", findings, loaded
    )
    names = rotor.adjuster_names
    named = table.column("adjuster").each(bool, bool)
    if len(names) == 1:
        adjuster = np.zeros(len(table), dtype=np.intp)
        known_positions(table, "adjuster", names, "an adjuster", findings, named)
    else:
        adjuster = known_positions(
            table, "adjuster", names, "an adjuster of the rotor file", findings, loaded
        )
    right = loaded & (adjuster >= 0)
    if right.any():
        first = int(adjuster[right][0])
        findings.fault(
            table,
            right & (adjuster != first),
            "adjuster",
            f"{names[first]} as in the rows above: without phase one plane at a time",
        )
        part = rotor.adjusters[first]
        units = np.full(len(table), part.unit, object)
        check_units(table, ("amount",), units, "adjuster", findings)
        outside = right & np.array([b >= 0 and not part.fits(rotor.blades[b]) for b in blade])
        findings.fault(table, outside, "blade", f"a blade that takes {part.name}")
        steps = amount / part.step
        off = right & ~bad & (np.abs(steps - np.round(steps)) > 1e-6)
        findings.doubt(table, off, "amount", f"whole steps of {part.step:g} {part.unit}")
    return loaded, blade, adjuster, amount


def _one_each(
    table: Table, of_run: npt.NDArray[np.intp], amplitude: Real, count: int, findings: Findings
) -> Real:
    """Return the amplitude of each run, (run,); its rows must say the same or nothing."""
    read = np.full(count, np.nan)
    filled = table.column("amplitude").each(bool, bool)
    for k in range(count):
        rows = np.flatnonzero(of_run == k)
        given = rows[~np.isnan(amplitude[rows])]
        if len(given) == 0:
            blank = rows[~filled[rows]]
            findings.fault(table, blank[:1], "amplitude", "the amplitude that this run read")
            continue
        read[k] = amplitude[given[0]]
        differ = given[amplitude[given] != read[k]]
        findings.fault(table, differ, "amplitude", f"{read[k]:g} as in this run's other row")
    return read
