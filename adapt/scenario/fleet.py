"""The demo's invented aircraft type and fleet: rotors as they really are, and their paper charts.

The truth stays here: nothing of it is written into the demo folder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import as_file, files

import numpy as np
import numpy.typing as npt

from adapt.chart import Chart
from adapt.rotor import Rotor, read_rotor
from adapt.simulate import Machine, RotorType, Scatter

__all__ = ["Fleet", "main_fleet", "tail_fleet"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

_DEFAULT_SPREAD = 0.25


@dataclass(frozen=True, eq=False)
class Fleet:
    """All rotors of one design: what they truly are, and the chart that people have.

    machines: by serial of the rotor. aircraft: the registration each serial is fitted to.
    """

    rotor: Rotor
    type_: RotorType
    chart: Chart
    machines: Mapping[str, Machine]
    aircraft: Mapping[str, str]


def main_fleet() -> Fleet:
    """Return the eight main rotors."""
    rotor = _packaged("main-rotor.toml")
    # Rows: cabin lateral, cabin vertical, cockpit vertical (lag). Columns: hub weight, trim tab,
    # pitch link. A weight pulls in the plane of the disc and shakes sideways at any speed; a tab
    # lifts with the square of the airspeed; a link lifts everywhere.
    still = _phasors(
        [[0.00055, 0.0040, 0.022], [0.00010, 0.010, 0.022], [0.00016, 0.012, 0.028]],
        [[130, 40, 75], [200, 290, 320], [215, 310, 345]],
    )
    air = _phasors(
        [[0.00003, 0.0120, 0.006], [0.00001, 0.034, 0.018], [0.00002, 0.040, 0.020]],
        [[150, 60, 90], [0, 275, 300], [0, 300, 320]],
    )
    place = _phasors(
        [[0.75, 1, 1, 1, 1, 1.05], [0.55, 1, 1, 1, 1, 1.05], [0.55, 1, 1, 1, 1, 1.05]],
        [[30, 0, 4, 0, 0, -12], [20, 0, 4, 0, 0, -12], [20, 0, 4, 0, 0, -12]],
    )
    type_ = RotorType(
        rotor=rotor,
        still=still,
        air=air,
        turn_deg=np.array([6.0, 9.0, 8.0]),
        place=place,
        track_still=np.array([0.0, 1.2, 3.2]),
        track_air=np.array([0.0, 3.2, 0.3]),
        track_place=np.array([0.9, 1, 1, 1, 1, 1]),
    )
    chart = _drawn(
        type_,
        gain=[[0.85, 1.25, 0.78], [1.20, 0.76, 1.24], [0.80, 1.20, 0.80]],
        rotation_deg=[[-22, 15, 24], [-20, 22, -18], [10, -22, 15]],
        track_gain=[1.0, 1.2, 0.85],
        seed=41,
    )
    serials = [f"MR-{n}" for n in range(101, 109)]
    return Fleet(rotor, type_, chart, *_individuals(type_, serials, seed=2024))


def tail_fleet() -> Fleet:
    """Return the eight tail rotors."""
    rotor = _packaged("tail-rotor.toml")
    # Rows: gearbox radial, gearbox axial. Columns: span weight, chord weight, pitch link.
    type_ = RotorType(
        rotor=rotor,
        still=_phasors(
            [[0.030, 0.024, 0.040], [0.007, 0.006, 0.090]], [[60, 155, 110], [85, 190, 245]]
        ),
        air=_phasors([[0, 0, 0], [0, 0, 0]], [[0, 0, 0], [0, 0, 0]]),
        turn_deg=np.zeros(2),
        place=_phasors([[0.85, 1], [0.8, 1]], [[12, 0], [15, 0]]),
        track_still=np.zeros(3),
        track_air=np.zeros(3),
        track_place=np.ones(2),
        scatter=Scatter(walk_sd=0.011, gust_sd=0.012),
    )
    chart = _drawn(
        type_,
        gain=[[0.8, 1.22, 0.9], [1.2, 0.85, 1.25]],
        rotation_deg=[[18, -15, 25], [-12, 20, -18]],
        track_gain=[1.0, 1.0, 1.0],
        seed=43,
    )
    serials = [f"TR-{n}" for n in range(301, 309)]
    return Fleet(rotor, type_, chart, *_individuals(type_, serials, seed=2025))


def _individuals(
    type_: RotorType, serials: list[str], seed: int
) -> tuple[dict[str, Machine], dict[str, str]]:
    rng = np.random.default_rng(seed)
    machines = {serial: type_.individual(rng) for serial in serials}
    return machines, {s: f"OV-T{letter}" for s, letter in zip(serials, "ABCDEFGH", strict=True)}


def _drawn(
    type_: RotorType,
    gain: list[list[float]],
    rotation_deg: list[list[float]],
    track_gain: list[float],
    seed: int,
) -> Chart:
    """Return the chart as somebody drew it: an average rotor of the type, off as charts are.

    gain, rotation_deg: by (sensor, adjuster); some unevenness of the drawing comes on top, and
    numbers are read off to two figures and ten minutes of clock.
    """
    rng = np.random.default_rng(seed)
    rotor = type_.rotor
    average = Machine(
        type_=type_,
        still=np.broadcast_to(type_.still, (len(rotor.blades), *type_.still.shape)),
        air=np.broadcast_to(type_.air, (len(rotor.blades), *type_.air.shape)),
        bend=np.zeros(type_.still.shape, dtype=complex),
        lift=np.ones((len(rotor.blades), len(rotor.adjusters))),
        background=np.zeros((len(rotor.sensors), len(rotor.regimes)), dtype=complex),
        shape=np.zeros((len(rotor.regimes), len(rotor.blades))),
        droop=np.zeros(len(rotor.blades)),
    )
    true = average.coefficients()
    uneven = np.exp(0.03 * rng.standard_normal(true.shape))
    turn = np.array(rotation_deg)[:, None, :] + 2.5 * rng.standard_normal(true.shape)
    amplitude = _two_figures(np.abs(true) * np.array(gain)[:, None, :] * uneven)
    lag = np.round((np.rad2deg(np.angle(true)) + turn) / 5.0) * 5.0
    track = _two_figures(average.track_coefficients() * np.array(track_gain))
    mean = np.asarray(amplitude * np.exp(1j * np.deg2rad(lag)), dtype=complex)
    mean = mean.reshape(-1, len(rotor.adjusters))
    return Chart(
        mean=mean,
        sd=_DEFAULT_SPREAD * np.abs(mean),
        track_mean=track,
        track_sd=_DEFAULT_SPREAD * np.abs(track),
        source="drawn for the demo",
    )


def _two_figures(values: Real) -> Real:
    return np.array([float(f"{x:.2g}") for x in values.ravel()]).reshape(values.shape)


def _phasors(amplitude: list[list[float]], lag_deg: list[list[float]]) -> Complex:
    return np.asarray(np.array(amplitude) * np.exp(1j * np.deg2rad(np.array(lag_deg))))


def _packaged(name: str) -> Rotor:
    with as_file(files("adapt.scenario") / name) as path:
        return read_rotor(path)
