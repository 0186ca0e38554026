"""A labelled set of influence coefficients: means, covariances, noise, and where they came from.

Values, the table and the document that scripts read, and the JSON file. How they are learned lives
in `learning`.
Covariances are of circular normals: cov = E[(c - m)(c - m)^H]; a per-component sd is sqrt(v / 2).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from adapt.chart import Chart
from adapt.files import write_whole
from adapt.problems import BadInput, Problem
from adapt.rotor import Rotor

__all__ = [
    "Coefficients",
    "Noise",
    "Posterior",
    "identity_of",
    "learned_document",
    "read_coefficients",
    "require_design",
    "write_coefficients",
]

FORMAT = 1  # of the file; a reader refuses a newer one

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]
Count = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known of one set of coefficients (one rotor's, an unseen rotor's, or the type's).

    mean: shape (channel, adjuster), complex (lag); NaN where nothing informs it.
    cov: shape (channel, adjuster, adjuster), complex Hermitian; NaN rows and columns likewise.
    track_mean: (regime, adjuster), real; track_cov: (regime, adjuster, adjuster), real.
    pairs: (channel, adjuster): pairs read in both runs in which the adjuster moved; track_pairs
    (regime, adjuster) likewise.
    """

    mean: Complex
    cov: Complex
    track_mean: Real
    track_cov: Real
    pairs: Count
    track_pairs: Count


@dataclass(frozen=True, eq=False)
class Noise:
    """Variances: reading_var r and run_var q of design section 5.

    reading_var, run_var: shape (channel,), E|e|^2 of complex e (per-component sd = sqrt(r / 2)).
    track_reading_var, track_run_var: shape (regime,), real variance of one blade's height before
    the blades' mean is removed. NaN where a rotor has no track.
    correlation: (channel, channel), E[e_j conj(e_k)] of unit errors, of w and e alike; None = not
    known, channels are then taken as independent.
    """

    reading_var: Real
    run_var: Real
    track_reading_var: Real
    track_run_var: Real
    correlation: Complex | None = None


@dataclass(frozen=True, eq=False)
class Coefficients:
    """Learned coefficients of a rotor design: the type's, an unseen rotor's, and each rotor's own.

    type_: posterior of the type's mean c; unseen: of a rotor with no runs (c + d).
    rotors: by serial. taught: the (job, after_run) pairs that are in these coefficients.
    withheld: the pairs that were looked at and held back as suspect entries.
    """

    design: str
    channels: tuple[tuple[str, str], ...]
    regimes: tuple[str, ...]
    adjusters: tuple[str, ...]
    type_: Posterior
    unseen: Posterior
    rotors: Mapping[str, Posterior]
    noise: Noise
    taught: frozenset[tuple[str, str]] = frozenset()
    withheld: frozenset[tuple[str, str]] = frozenset()
    chart: Chart | None = None
    suspects: tuple[Mapping[str, Any], ...] = ()
    references: tuple[Mapping[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    origin: Mapping[str, Any] = field(default_factory=dict)

    def of(self, rotor: str) -> Posterior:
        """Return a rotor's posterior by serial; that of an unseen rotor when it has no runs."""
        return self.rotors.get(rotor, self.unseen)

    def summary(self, rotor: Rotor) -> pd.DataFrame:
        """Return every vibration coefficient as a person reads it, beside the chart's.

        rotor: its rotor file, for each sensor's phase convention and unit. Columns: rotor (None =
        the type), sensor, regime, adjuster, amplitude and sd per component [sensor unit for each
        adjuster unit], low and high (amplitude minus and plus 1.96 sds), phase_deg in the sensor's
        own convention, chart_amplitude, chart_phase_deg, pairs.
        """
        rows = []
        for name, posterior in ((None, self.type_), *self.rotors.items()):
            sd = _component_sd(posterior.cov)
            for j, (sensor, regime) in enumerate(self.channels):
                lead = rotor.sensor(sensor).phase == "lead"
                for a, adjuster in enumerate(self.adjusters):
                    mean = complex(posterior.mean[j, a])
                    drawn = complex(np.nan if self.chart is None else self.chart.mean[j, a])
                    rows.append(
                        {
                            "rotor": name,
                            "sensor": sensor,
                            "regime": regime,
                            "adjuster": adjuster,
                            "amplitude": abs(mean),
                            "phase_deg": _phase_deg(mean, lead),
                            "sd": sd[j, a],
                            "low": max(0.0, abs(mean) - 1.96 * sd[j, a]),
                            "high": abs(mean) + 1.96 * sd[j, a],
                            "chart_amplitude": abs(drawn),
                            "chart_phase_deg": _phase_deg(drawn, lead),
                            "pairs": int(posterior.pairs[j, a]),
                        }
                    )
        return pd.DataFrame(rows)


def learned_document(coefficients: Coefficients) -> dict[str, Any]:
    """Return the document of `learn` for scripts; null where nothing is known.

    vibration: real and imag (lag) and sd per component for one adjuster unit on the first blade,
    rotor null = the type. track: height likewise. noise: sds per component, sensor null = track.
    """
    noise = coefficients.noise
    listed = ((None, coefficients.type_), *coefficients.rotors.items())
    return {
        "design": coefficients.design,
        "vibration": [row for name, p in listed for row in _vibration_rows(coefficients, name, p)],
        "track": [row for name, p in listed for row in _track_rows(coefficients, name, p)],
        "noise": [
            {
                "sensor": sensor,
                "regime": regime,
                "reading_sd": _number(math.sqrt(noise.reading_var[j] / 2.0)),
                "run_to_run_sd": _number(math.sqrt(noise.run_var[j] / 2.0)),
            }
            for j, (sensor, regime) in enumerate(coefficients.channels)
        ]
        + [
            {
                "sensor": None,
                "regime": regime,
                "reading_sd": _number(math.sqrt(noise.track_reading_var[g])),
                "run_to_run_sd": _number(math.sqrt(noise.track_run_var[g])),
            }
            for g, regime in enumerate(coefficients.regimes)
            if not math.isnan(noise.track_reading_var[g])
        ],
        "suspects": [dict(suspect) for suspect in coefficients.suspects],
        "reference": [dict(reference) for reference in coefficients.references],
        "notes": list(coefficients.notes),
        "origin": dict(coefficients.origin),
    }


def write_coefficients(coefficients: Coefficients, path: str | PathLike[str]) -> None:
    """Write coefficients whole or not at all, with everything that a reader needs to go on.

    Raises AdaptError when the file cannot be written.
    """
    document = {
        "format": FORMAT,
        **learned_document(coefficients),
        "state": {
            "channels": [list(channel) for channel in coefficients.channels],
            "regimes": list(coefficients.regimes),
            "adjusters": list(coefficients.adjusters),
            "type": _pack_fields(coefficients.type_),
            "unseen": _pack_fields(coefficients.unseen),
            "rotors": {name: _pack_fields(p) for name, p in coefficients.rotors.items()},
            "noise": _pack_fields(coefficients.noise),
            "taught": sorted([list(pair) for pair in coefficients.taught]),
            "withheld": sorted([list(pair) for pair in coefficients.withheld]),
            "chart": None if coefficients.chart is None else _pack_chart(coefficients.chart),
        },
    }
    write_whole(path, json.dumps(document, allow_nan=False) + "\n")


def read_coefficients(path: str | PathLike[str], rotor: Rotor | None = None) -> Coefficients:
    """Read coefficients that `write_coefficients` wrote; every number comes back as it was.

    rotor: the design that they are wanted for. Raises BadInput when the file is missing, damaged or
    of a newer format, or when its design, channels or adjusters are not the rotor's.
    """
    document = _load(path)
    found = document.get("format")
    if not isinstance(found, int) or found > FORMAT:
        raise _bad(path, "format", repr(found), f"{FORMAT}: this program cannot read a newer one")
    try:
        state = document["state"]
        chart = state["chart"]
        coefficients = Coefficients(
            design=str(document["design"]),
            channels=tuple((str(s), str(r)) for s, r in state["channels"]),
            regimes=tuple(str(r) for r in state["regimes"]),
            adjusters=tuple(str(a) for a in state["adjusters"]),
            type_=Posterior(**_unpack_fields(state["type"])),
            unseen=Posterior(**_unpack_fields(state["unseen"])),
            rotors={str(n): Posterior(**_unpack_fields(p)) for n, p in state["rotors"].items()},
            noise=Noise(**_unpack_fields(state["noise"])),
            taught=frozenset((str(job), str(run)) for job, run in state["taught"]),
            withheld=frozenset((str(job), str(run)) for job, run in state["withheld"]),
            chart=None if chart is None else Chart(**_unpack_fields(chart)),
            suspects=tuple(document["suspects"]),
            references=tuple(document["reference"]),
            notes=tuple(str(note) for note in document["notes"]),
            origin=document["origin"],
        )
        _check_shapes(coefficients)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _bad(
            path, None, f"a damaged file ({error})", "coefficients as this program writes them"
        ) from error
    if rotor is not None:
        require_design(coefficients, rotor, str(path))
    return coefficients


def identity_of(rotor: Rotor) -> dict[str, Any]:
    """Return what coefficients rest on in a rotor file: with another of these they mean nothing."""
    n = len(rotor.blades)
    return {
        "name": rotor.name,
        "blades": list(rotor.blades),
        "azimuth_deg": list(rotor.azimuth_deg or (360.0 * b / n for b in range(n))),
        "sensors": [
            {
                "name": s.name,
                "unit": s.unit,
                "phase": s.phase,
                "order": s.order,
                "combination": None if s.combination is None else dict(s.combination),
            }
            for s in rotor.sensors
        ],
        "regimes": list(rotor.regime_names),
        "adjusters": [[a.name, a.unit] for a in rotor.adjusters],
        "track_unit": rotor.track_unit,
    }


def require_design(coefficients: Coefficients, rotor: Rotor, source: str = "coefficients") -> None:
    """Raise BadInput with every way in which coefficients are not of this rotor file.

    source: their file, for the message. The first blade, the order of the blades, units and phase
    conventions are part of what a coefficient means.
    """
    wanted = identity_of(rotor)
    found = coefficients.origin.get("identity")
    pairs: list[tuple[str, Any, Any]] = [
        ("design", coefficients.design, rotor.name),
        ("channels", coefficients.channels, rotor.channels),
        ("regimes", coefficients.regimes, rotor.regime_names),
        ("adjusters", coefficients.adjusters, rotor.adjuster_names),
    ]
    if isinstance(found, Mapping):
        pairs += [
            (key, found.get(key), wanted[key])
            for key in ("blades", "azimuth_deg", "sensors", "adjusters", "track_unit")
        ]
    problems = [
        Problem("fault", source, None, what, repr(had), f"{has!r}, as in the rotor file")
        for what, had, has in pairs
        if had != has
    ]
    if problems:
        raise BadInput(problems)


def _load(path: str | PathLike[str]) -> dict[str, Any]:
    try:
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or str(error)
        raise _bad(path, None, f"no readable file ({reason})", "a coefficients file") from error
    except (ValueError, RecursionError) as error:
        raise _bad(
            path, None, f"no whole JSON document ({error})", "coefficients as `learn` writes them"
        ) from error
    if not isinstance(document, dict):
        raise _bad(path, None, "another JSON document", "coefficients as `learn` writes them")
    return document


def _check_shapes(c: Coefficients) -> None:
    """Raise ValueError when an array does not have the shape that the labels call for."""
    channels, regimes, adjusters = len(c.channels), len(c.regimes), len(c.adjusters)
    for p in (c.type_, c.unseen, *c.rotors.values()):
        for array, shape in (
            (p.mean, (channels, adjusters)),
            (p.cov, (channels, adjusters, adjusters)),
            (p.track_mean, (regimes, adjusters)),
            (p.track_cov, (regimes, adjusters, adjusters)),
            (p.pairs, (channels, adjusters)),
            (p.track_pairs, (regimes, adjusters)),
        ):
            if array.shape != shape:
                raise ValueError(f"an array of shape {array.shape} where {shape} belongs")
    for array, size in (
        (c.noise.reading_var, channels),
        (c.noise.run_var, channels),
        (c.noise.track_reading_var, regimes),
        (c.noise.track_run_var, regimes),
    ):
        if array.shape != (size,):
            raise ValueError(f"noise of shape {array.shape} where {(size,)} belongs")


def _bad(path: str | PathLike[str], column: str | None, found: str, expected: str) -> BadInput:
    return BadInput([Problem("fault", str(path), None, column, found, expected)])


def _vibration_rows(
    coefficients: Coefficients, rotor: str | None, posterior: Posterior
) -> Iterable[dict[str, Any]]:
    sd = _component_sd(posterior.cov)
    known = ~np.isnan(posterior.mean)
    for j, (sensor, regime) in enumerate(coefficients.channels):
        for a, adjuster in enumerate(coefficients.adjusters):
            yield {
                "rotor": rotor,
                "sensor": sensor,
                "regime": regime,
                "adjuster": adjuster,
                "real": _number(posterior.mean[j, a].real),
                "imag": _number(posterior.mean[j, a].imag) if known[j, a] else None,
                "sd": _number(sd[j, a]),
                "pairs": int(posterior.pairs[j, a]),
            }


def _track_rows(
    coefficients: Coefficients, rotor: str | None, posterior: Posterior
) -> Iterable[dict[str, Any]]:
    if math.isnan(coefficients.noise.track_reading_var.sum()):
        return
    var = np.einsum("gaa->ga", posterior.track_cov)
    for g, regime in enumerate(coefficients.regimes):
        for a, adjuster in enumerate(coefficients.adjusters):
            yield {
                "rotor": rotor,
                "regime": regime,
                "adjuster": adjuster,
                "height": _number(posterior.track_mean[g, a]),
                "sd": _number(np.sqrt(np.maximum(var[g, a], 0.0))),
                "pairs": int(posterior.track_pairs[g, a]),
            }


def _component_sd(cov: Complex) -> Real:
    """Return sds per component, (channel, adjuster), of circular normals of covariance cov."""
    return np.sqrt(np.maximum(np.einsum("jaa->ja", cov).real, 0.0) / 2.0)


def _phase_deg(value: complex, lead: bool) -> float:
    if math.isnan(value.real):
        return math.nan
    return math.degrees(math.atan2(-value.imag if lead else value.imag, value.real)) % 360.0


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _pack_chart(chart: Chart) -> dict[str, Any]:
    """Return the chart's numbers; what was doubtful in its file is the business of its check."""
    return {name: value for name, value in _pack_fields(chart).items() if name != "doubts"}


def _pack_fields(values: Any) -> dict[str, Any]:
    return {name: _pack(value) for name, value in vars(values).items()}


def _unpack_fields(packed: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _unpack(value) for name, value in packed.items()}


def _pack(value: Any) -> Any:
    """Return an array as its type, shape and flat numbers, NaN as null; text as it is."""
    if not isinstance(value, np.ndarray):
        return value
    parts = [value.real, value.imag] if np.iscomplexobj(value) else [value]
    whole = value.dtype.kind == "i"
    return {
        "dtype": value.dtype.name,
        "shape": list(value.shape),
        "parts": [
            [int(x) if whole else _number(x) for x in part.ravel().tolist()] for part in parts
        ],
    }


def _unpack(packed: Any) -> Any:
    if not isinstance(packed, dict):
        return packed
    kinds = {"float64": float, "complex128": complex, "int64": np.int64}
    kind = kinds[packed["dtype"]]
    parts = [
        np.array([np.nan if x is None else x for x in part], dtype=float)
        for part in packed["parts"]
    ]
    flat = parts[0] + 1j * parts[1] if kind is complex else parts[0]
    return flat.reshape(packed["shape"]).astype(kind)
