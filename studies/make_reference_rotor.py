"""Make the reference readings of a two-disc flexible rotor with a finite-element library.

The machine is solved by ross-rotordynamics, a general rotordynamics library that knows nothing of
this project: unbalance response at two bearings, at five speeds below and above the first critical
speed, with and without trial masses. Written to datasets/reference/two-disc-rotor/: a rotor file
and a log as a balancing job would leave them, the responses to 1 g at every hole (the answers), the
unbalance that the rotor had, and a README with versions and settings. Not part of the program: run
it in an environment of its own (the library does not import beside a newer plotly),

    pip install ross-rotordynamics==2.3.0 "plotly<6"
    python studies/make_reference_rotor.py

Conventions
-----------
The library's fixed axes are x and y, the rotor turns from x to y, and a response is
x(t) = Re(X exp(i w t)). An unbalance of `phase` f stands at angle f from the x axis at t = 0 and
passes it at w t = -f, earlier for larger f. Hole b passes a fixed point psi_b after hole 1, so it
sits psi_b behind it in the direction of rotation: f_b = -psi_b, with hole 1 on the x axis at t = 0.
The phase reference fires when hole 1 passes the pickup, at w t = PICKUP. A reading's phase is its
lag: the angle turned from there to the signal's positive peak, at w t = -arg X. Hence
lag = -arg X - PICKUP and the reading is z = conj(X exp(i PICKUP)).
Displacement is not a unit of the readings, so it is made velocity: V = i w X, amplitude w |X|,
and arg V = arg X + 90 deg (the velocity peaks a quarter turn before the displacement).
`check_conventions` derives amplitudes and lags once more from the library's own time integration,
with the masses as rotating forces, by timing the peaks.
"""

from __future__ import annotations

import csv
import platform
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import ross as rs

FOLDER = Path(__file__).parents[1] / "datasets" / "reference" / "two-disc-rotor"

ELEMENTS, ELEMENT_LENGTH, SHAFT_DIAMETER = 12, 0.1, 0.05  # [-], [m], [m]
STEEL = {"rho": 7850.0, "E": 2.1e11, "Poisson": 0.3}  # [kg/m3], [Pa], [-]
DISCS = {  # node, width [m], outer diameter [m]
    "disc 1 mass": (4, 0.04, 0.28),
    "disc 2 mass": (9, 0.05, 0.32),
}
BEARINGS = {  # node, stiffness [N/m] and damping [N s/m]; uneven on purpose: orbits are ellipses
    "bearing 1": (1, {"kxx": 6e6, "kyy": 10e6, "kxy": 4e5, "kyx": -3e5, "cxx": 12e3, "cyy": 10e3}),
    "bearing 2": (11, {"kxx": 8e6, "kyy": 12e6, "kxy": 3e5, "kyx": -2e5, "cxx": 9e3, "cyy": 11e3}),
}
SPEEDS_RPM = (1500, 2100, 2900, 3600, 4500)
SENSOR_DIRECTION = np.deg2rad(45.0)  # from x to y
PICKUP = np.deg2rad(90.0)  # the phase reference's pickup, from x to y
HOLES, HOLE_RADIUS = 8, 0.11  # [-], [m]

# What the rotor has at the start of each job: [g at the hole radius], [deg behind hole 1].
INITIAL = {
    "J-1": {"disc 1 mass": (21.3, 203.7), "disc 2 mass": (14.9, 66.1)},
    "J-2": {"disc 1 mass": (9.4, 318.2), "disc 2 mass": (26.8, 151.4)},
}
# Masses fitted in each run: (hole, adjuster) -> [g]; trial masses alone, moved, and together.
RUNS: dict[str, list[dict[tuple[int, str], float]]] = {
    "J-1": [
        {},
        {(2, "disc 1 mass"): 12.0},
        {(5, "disc 2 mass"): 15.0},
        {(7, "disc 1 mass"): 10.0, (1, "disc 2 mass"): 8.0},
        {(7, "disc 1 mass"): 10.0, (1, "disc 2 mass"): 8.0, (4, "disc 1 mass"): 6.5},
        {},
    ],
    "J-2": [
        {},
        {(1, "disc 1 mass"): 9.0, (6, "disc 2 mass"): 14.0},
        {(6, "disc 2 mass"): 14.0, (3, "disc 2 mass"): 11.0},
        {(8, "disc 1 mass"): 7.5, (3, "disc 2 mass"): 11.0},
        {(8, "disc 1 mass"): 7.5},
    ],
}
Masses = list[tuple[str, float, float]]  # adjuster, [g at the hole radius], [deg behind hole 1]


def build_rotor() -> Any:
    """Return the library's model of the machine."""
    steel = rs.Material(name="steel", **STEEL)
    shaft = [
        rs.ShaftElement(L=ELEMENT_LENGTH, idl=0.0, odl=SHAFT_DIAMETER, material=steel)
        for _ in range(ELEMENTS)
    ]
    discs = [
        rs.DiskElement.from_geometry(n, material=steel, width=width, i_d=SHAFT_DIAMETER, o_d=od)
        for n, width, od in DISCS.values()
    ]
    bearings = [rs.BearingElement(n=n, **values) for n, values in BEARINGS.values()]
    return rs.Rotor(shaft, discs, bearings)


def solve(rotor: Any, masses: Masses) -> np.ndarray:
    """Return the readings, complex lag [mm/s], shape (sensor, speed), by one solve of the library.

    masses: everything that is out of balance, as (adjuster, [g], [deg behind hole 1]).
    """
    omega = np.array(SPEEDS_RPM) * np.pi / 30.0
    response = rotor.run_unbalance_response(
        node=[DISCS[adjuster][0] for adjuster, _, _ in masses],
        unbalance_magnitude=[1e-3 * grams * HOLE_RADIUS for _, grams, _ in masses],
        unbalance_phase=[-np.deg2rad(behind) for _, _, behind in masses],
        frequency=omega,
    )
    x = along_sensors(rotor, response.forced_resp)
    velocity = 1j * omega * x * 1e3
    return np.conj(velocity * np.exp(1j * PICKUP))


def along_sensors(rotor: Any, motion: np.ndarray) -> np.ndarray:
    """Return the motion along each sensor, shape (sensor, ...), from (degree of freedom, ...)."""
    dof = [rotor.number_dof * node for node, _ in BEARINGS.values()]
    across, up = motion[dof], motion[[d + 1 for d in dof]]
    return across * np.cos(SENSOR_DIRECTION) + up * np.sin(SENSOR_DIRECTION)


def out_of_balance(job: str, fitted: dict[tuple[int, str], float]) -> Masses:
    """Return the job's initial unbalance and the fitted masses together."""
    masses = [(adjuster, grams, behind) for adjuster, (grams, behind) in INITIAL[job].items()]
    for (hole, adjuster), grams in fitted.items():
        masses.append((adjuster, grams, 360.0 * (hole - 1) / HOLES))
    return masses


def check_conventions(rotor: Any, masses: Masses, steps: int = 720, seconds: float = 3.0) -> None:
    """Compare `solve` with peaks timed in the library's time integration; stop if they differ.

    The masses enter as the rotating forces of points that sit `behind` hole 1; the shaft starts at
    rest and runs until the start has nearly died out, which is what limits the agreement.
    """
    for i, rpm in enumerate(SPEEDS_RPM):
        omega = rpm * np.pi / 30.0
        t = np.arange(int(seconds * rpm / 60.0) * steps + 1) * (2.0 * np.pi / omega / steps)
        force = np.zeros((len(t), rotor.ndof))
        for adjuster, grams, behind in masses:
            dof = rotor.number_dof * DISCS[adjuster][0]
            place = omega * t - np.deg2rad(behind)  # hole 1 stands on the x axis at t = 0
            pull = 1e-3 * grams * HOLE_RADIUS * omega**2
            force[:, dof] += pull * np.cos(place)
            force[:, dof + 1] += pull * np.sin(place)
        moved = along_sensors(rotor, rotor.run_time_response(omega, force, t).yout.T)
        velocity = np.gradient(moved, t, axis=-1) * 1e3
        last = slice(len(t) - 2 * steps - 2, len(t) - 1)  # two revolutions, without the end
        for sensor, (signal, expected) in enumerate(
            zip(velocity[:, last], solve(rotor, masses)[:, i], strict=True)
        ):
            # The peak stands halfway between the zero crossings beside it, which high modes that
            # still ring from the start move far less than they move the highest sample.
            up = np.flatnonzero((signal[:-1] <= 0.0) & (signal[1:] > 0.0))[0]
            down = up + np.flatnonzero(signal[up + 1 :] <= 0.0)[0]
            crossings = [
                t[last][k] - signal[k] * (t[1] - t[0]) / (signal[k + 1] - signal[k])
                for k in (up, down)
            ]
            lag = omega * np.mean(crossings) - PICKUP  # the reference fired at omega t = PICKUP
            amplitude = signal.max()
            error = abs(amplitude * np.exp(1j * lag) - expected) / abs(expected)
            print(f"{rpm} rpm, sensor {sensor + 1}: time integration differs by {error:.1e}")
            if not error < 1e-3:
                raise SystemExit("the conventions do not hold: nothing written")


def write_csv(path: Path, header: str, rows: list[tuple[Any, ...]]) -> None:
    """Write one table; floats to twelve digits, which hides the rounding of the machine."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header.split(","))
        writer.writerows(
            [float(f"{x:.12g}") if isinstance(x, float) else x for x in row] for row in rows
        )


def amplitude_and_phase(z: complex) -> tuple[float, float]:
    """Return amplitude and phase [deg, 0..360) of a reading."""
    return float(abs(z)), float(np.rad2deg(np.angle(z)) % 360.0)


def write_log(rotor: Any, folder: Path) -> None:
    """Solve every run on its own and write the tables of the log."""
    folder.mkdir(parents=True, exist_ok=True)
    runs, readings, moves, fitted_rows = [], [], [], []
    for day, (job, fitted_in_runs) in enumerate(RUNS.items()):
        for number, fitted in enumerate(fitted_in_runs, start=1):
            runs.append(("R-1", job, number, f"2026-03-{2 + 7 * day:02d}T{8 + number:02d}:00"))
            z = solve(rotor, out_of_balance(job, fitted))
            for s, sensor in enumerate(BEARINGS):
                for i, rpm in enumerate(SPEEDS_RPM):
                    values = amplitude_and_phase(z[s, i])
                    readings.append((job, number, f"{rpm} rpm", sensor, *values))
            if number > 1:
                before = fitted_in_runs[number - 2]
                for hole, adjuster in sorted(before.keys() | fitted.keys()):
                    key = (hole, adjuster)
                    change = fitted.get(key, 0.0) - before.get(key, 0.0)
                    if change != 0.0:
                        moves.append((job, number - 1, hole, adjuster, change))
        for hole in range(1, HOLES + 1):
            fitted_rows += [(job, hole, a, fitted_in_runs[0].get((hole, a), 0.0)) for a in DISCS]
    write_csv(folder / "runs.csv", "rotor,job,run,started", runs)
    write_csv(folder / "readings.csv", "job,run,regime,sensor,amplitude,phase_deg", readings)
    write_csv(folder / "moves.csv", "job,after_run,blade,adjuster,amount", moves)
    write_csv(folder / "fitted.csv", "job,blade,adjuster,amount", fitted_rows)


def write_answers(rotor: Any, folder: Path) -> None:
    """Write the response to 1 g at every hole and nothing else, and the initial unbalance."""
    rows = []
    for adjuster in DISCS:
        for hole in range(1, HOLES + 1):
            z = solve(rotor, [(adjuster, 1.0, 360.0 * (hole - 1) / HOLES)])
            for s, sensor in enumerate(BEARINGS):
                for i, rpm in enumerate(SPEEDS_RPM):
                    rows.append(
                        (adjuster, hole, sensor, f"{rpm} rpm", *amplitude_and_phase(z[s, i]))
                    )
    write_csv(
        folder / "unit-mass-responses.csv",
        "adjuster,blade,sensor,regime,amplitude,phase_deg",
        rows,
    )
    write_csv(
        folder / "initial-unbalance.csv",
        "job,adjuster,amount,phase_deg",
        [(job, a, *values) for job, discs in INITIAL.items() for a, values in discs.items()],
    )


def write_rotor_file(path: Path) -> None:
    """Write the machine as a rotor file: holes are its blades, speeds its regimes."""
    holes = ", ".join(f'"{hole}"' for hole in range(1, HOLES + 1))
    parts = [
        "# Written by studies/make_reference_rotor.py; see README.md beside this file.\n"
        f'[rotor]\nname = "two-disc rotor"\nblades = [{holes}]\nrpm = {SPEEDS_RPM[-1]}\n'
    ]
    parts += [f'[[sensors]]\nname = "{name}"\nunit = "mm/s"\n' for name in BEARINGS]
    parts += [f'[[regimes]]\nname = "{rpm} rpm"\nrpm = {rpm}\n' for rpm in SPEEDS_RPM]
    parts += [
        f'[[adjusters]]\nname = "{name}"\nunit = "g"\nstep = 0.5\nfitted_range = [0.0, 40.0]\n'
        for name in DISCS
    ]
    parts += [f'[[limits]]\nsensor = "{name}"\nlimit = 4.5\n' for name in BEARINGS]
    path.write_text("\n".join(parts), encoding="utf-8")


def write_readme(rotor: Any, path: Path) -> None:
    """Write where the data come from."""
    critical = np.asarray(rotor.run_critical_speed().wd()) * 30.0 / np.pi
    bearings = "\n".join(
        f"- {name}: node {n}, " + ", ".join(f"{key} {value:.0f}" for key, value in values.items())
        for name, (n, values) in BEARINGS.items()
    )
    discs = "\n".join(
        f"- {name}: on the disc at node {n}, width {width} m, outer diameter {diameter} m"
        for name, (n, width, diameter) in DISCS.items()
    )
    path.write_text(
        f"""# Readings of a two-disc flexible rotor

Solved with the finite-element rotordynamics library ross-rotordynamics; no number here comes from
this project's own code, and no noise was added. Written by

    pip install ross-rotordynamics=={version("ross-rotordynamics")} "plotly<6"
    python studies/make_reference_rotor.py

under Python {platform.python_version()}, numpy {version("numpy")}, scipy {version("scipy")}.

| file | what it holds |
| --- | --- |
| `rotor.toml` | the machine: the {HOLES} holes of a disc are its blades, speeds its regimes |
| `log/` | two jobs; a run is one solve with the initial unbalance and the masses fitted in it |
| `unit-mass-responses.csv` | what 1 g in a hole, and nothing else, does: one solve for each hole |
| `initial-unbalance.csv` | each job's at its start: g at the hole radius, deg behind hole 1 |

Amplitudes are peak velocities in mm/s. Phases are lags in the direction of rotation behind the
passing of hole 1 at the phase pickup. Both were checked against peaks timed in the library's own
time integration (within 0.1 %; the script writes nothing otherwise). Between the jobs the rotor
was changed. The limit in the rotor file is invented.

## Model

{ELEMENTS} shaft elements of {ELEMENT_LENGTH} m, diameter {SHAFT_DIAMETER} m, material
{", ".join(f"{key} {value:g}" for key, value in STEEL.items())} (SI units); shear deformation,
rotary inertia and gyroscopic effects as the library has them by default. Bearings in N/m and N s/m:

{bearings}
{discs}

Holes at {HOLE_RADIUS} m radius. Counted from the x axis in the direction of rotation, the sensors
stand at {np.rad2deg(SENSOR_DIRECTION):.0f} deg, the phase pickup at {np.rad2deg(PICKUP):.0f} deg.
Damped critical speeds by the library: {", ".join(f"{x:.0f}" for x in critical[:4])} rpm.
""",
        encoding="utf-8",
    )


def main(folder: Path) -> None:
    """Check the conventions, then write everything into the folder."""
    rotor = build_rotor()
    check_conventions(rotor, out_of_balance("J-1", RUNS["J-1"][4]))
    write_log(rotor, folder / "log")
    write_answers(rotor, folder)
    write_rotor_file(folder / "rotor.toml")
    write_readme(rotor, folder / "README.md")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
