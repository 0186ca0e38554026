"""Invented rotors and paper charts with known effects, and points read off them with a ruler."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from adapt.balancing.paper.points import PlottedChart, PlottedPoint
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

Complex = npt.NDArray[np.complex128]


def rotor_of(blades: int, adjusters: int, order: int = 1, phase: str = "lag") -> Rotor:
    names = [f"weight {i + 1}" for i in range(adjusters)]
    return Rotor(
        "fan",
        tuple(chr(ord("A") + i) for i in range(blades)),
        1200.0,
        (Sensor("bearing", "mm/s", phase=phase, order=order),),  # type: ignore[arg-type]
        (Regime("full speed"),),
        tuple(Adjuster(name, "g", 1.0, (0.0, 100.0)) for name in names),
        (Limit("bearing", 5.0),),
    )


def plotted(
    rotor: Rotor,
    effects: Complex,
    axes: Sequence[tuple[str, str]],
    readings: Sequence[complex],
    rng: np.random.Generator | None = None,
    share: float = 0.01,
) -> PlottedChart:
    """Return a chart's points: the amounts on two axes that bring each reading to nothing."""
    order = rotor.sensors[0].order
    turned = []
    for blade, adjuster in axes:
        psi = rotor.psi[rotor.blades.index(blade)]
        turned.append(effects[rotor.adjuster_names.index(adjuster)] * np.exp(1j * order * psi))
    matrix = np.array([[e.real for e in turned], [e.imag for e in turned]])
    amounts = np.array([np.linalg.solve(matrix, [-z.real, -z.imag]) for z in readings])
    if rng is not None:
        amounts += share * np.max(np.abs(amounts), axis=0) * rng.standard_normal(amounts.shape)
    points = tuple(
        PlottedPoint(str(i + 1), complex(z), dict(zip(axes, map(float, row), strict=True)))
        for i, (z, row) in enumerate(zip(readings, amounts, strict=True))
    )
    return PlottedChart("bearing", "full speed", points)


def around(count: int, amplitude: float = 1.0, start_deg: float = 10.0) -> list[complex]:
    """Return readings evenly spaced around the clock."""
    angles = np.deg2rad(start_deg) + 2 * np.pi * np.arange(count) / count
    return [complex(z) for z in amplitude * np.exp(1j * angles)]
