"""The document of `learn`, as JSON values that scripts read."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from adapt.coefficients.values import Coefficients, Posterior, component_sd

__all__ = ["learned_document", "number"]


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
                "reading_sd": number(math.sqrt(noise.reading_var[j] / 2.0)),
                "run_to_run_sd": number(math.sqrt(noise.run_var[j] / 2.0)),
            }
            for j, (sensor, regime) in enumerate(coefficients.channels)
        ]
        + [
            {
                "sensor": None,
                "regime": regime,
                "reading_sd": number(math.sqrt(noise.track_reading_var[g])),
                "run_to_run_sd": number(math.sqrt(noise.track_run_var[g])),
            }
            for g, regime in enumerate(coefficients.regimes)
            if not math.isnan(noise.track_reading_var[g])
        ],
        "suspects": [dict(suspect) for suspect in coefficients.suspects],
        "reference": [dict(reference) for reference in coefficients.references],
        "health": [dict(finding) for finding in coefficients.health],
        "notes": list(coefficients.notes),
        "origin": dict(coefficients.origin),
    }


def _vibration_rows(
    coefficients: Coefficients, rotor: str | None, posterior: Posterior
) -> Iterable[dict[str, Any]]:
    sd = component_sd(posterior.cov)
    known = ~np.isnan(posterior.mean)
    for j, (sensor, regime) in enumerate(coefficients.channels):
        for a, adjuster in enumerate(coefficients.adjusters):
            yield {
                "rotor": rotor,
                "sensor": sensor,
                "regime": regime,
                "adjuster": adjuster,
                "real": number(posterior.mean[j, a].real),
                "imag": number(posterior.mean[j, a].imag) if known[j, a] else None,
                "sd": number(sd[j, a]),
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
                "height": number(posterior.track_mean[g, a]),
                "sd": number(np.sqrt(np.maximum(var[g, a], 0.0))),
                "pairs": int(posterior.track_pairs[g, a]),
            }


def number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
