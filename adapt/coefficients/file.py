"""The coefficients file: made, written whole, read back number for number, damage named."""

from __future__ import annotations

import json
from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from adapt.chart import Chart
from adapt.coefficients.document import learned_document, number
from adapt.coefficients.identity import require_design
from adapt.coefficients.values import Coefficients, Noise, Posterior
from adapt.files import write_whole
from adapt.problems import BadInput, Problem
from adapt.rotor import Rotor

__all__ = ["coefficients_content", "coefficients_in", "read_coefficients", "write_coefficients"]

FORMAT = 2  # of the file; a reader refuses a newer one


def write_coefficients(coefficients: Coefficients, path: str | PathLike[str]) -> None:
    """Write coefficients whole or not at all, with everything that a reader needs to go on.

    Raises AdaptError when the file cannot be written.
    """
    write_whole(path, coefficients_content(coefficients))


def coefficients_content(coefficients: Coefficients) -> bytes:
    """Return the bytes of a coefficients file, the same for the same coefficients."""
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
    return (json.dumps(document, allow_nan=False) + "\n").encode("utf-8")


def read_coefficients(path: str | PathLike[str], rotor: Rotor | None = None) -> Coefficients:
    """Read coefficients that `write_coefficients` wrote; every number comes back as it was.

    rotor: the design that they are wanted for. Raises BadInput when the file is missing, damaged or
    of another format, or when its design, channels or adjusters are not the rotor's.
    """
    try:
        content = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _bad(path, None, f"no readable file ({reason})", "a coefficients file") from error
    return coefficients_in(content, str(path), rotor)


def coefficients_in(content: bytes, path: str, rotor: Rotor | None = None) -> Coefficients:
    """Read coefficients from the bytes of their file; path: how messages name it.

    Raises BadInput as `read_coefficients` does.
    """
    document = _load(content, path)
    _require_format(path, document)
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
            health=tuple(document.get("health", ())),
            notes=tuple(str(note) for note in document["notes"]),
            origin=document["origin"],
        )
        _check_shapes(coefficients)
        _check_variances(coefficients)
        _check_told(coefficients)
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise _bad(
            path, None, f"a damaged file ({error})", "coefficients as this program writes them"
        ) from error
    if rotor is not None:
        require_design(coefficients, rotor, str(path))
    return coefficients


def _require_format(path: str, document: Mapping[str, Any]) -> None:
    """Raise BadInput for a file of another version, which is no damage: learning again mends it."""
    found = document.get("format")
    if type(found) is not int or found > FORMAT:
        raise _bad(path, "format", repr(found), f"{FORMAT}: this program cannot read a newer one")
    state = document.get("state")
    known_apart = isinstance(state, Mapping) and "cov" in (state.get("type") or ())
    if found < FORMAT or known_apart:
        raise _bad(
            path, "format", f"{found}, as an earlier version wrote it",
            f"{FORMAT}, as this version writes it: learn again",
        )  # fmt: skip


def _load(content: bytes, path: str) -> dict[str, Any]:
    try:
        document = json.loads(content.decode("utf-8"), parse_constant=_no_number)
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
    sensors = channels // max(regimes, 1)
    for p in (c.type_, c.unseen, *c.rotors.values()):
        for array, shape in (
            (p.mean, (channels, adjusters)),
            (p.joint, (sensors, regimes * adjusters, regimes * adjusters)),
            (p.track_mean, (regimes, adjusters)),
            (p.track_joint, (1, regimes * adjusters, regimes * adjusters)),
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


def _check_variances(c: Coefficients) -> None:
    """Raise ValueError when a variance is negative."""
    noise = c.noise
    listed = [noise.reading_var, noise.run_var, noise.track_reading_var, noise.track_run_var]
    for p in (c.type_, c.unseen, *c.rotors.values()):
        listed += [np.einsum("saa->sa", x).real for x in (p.joint, p.track_joint)]
    if any((values < 0).any() for values in listed):
        raise ValueError("a negative variance")


def _check_told(c: Coefficients) -> None:
    """Raise TypeError or ValueError when what is told beside the numbers has another form."""
    rows = (*c.suspects, *c.references, *c.health)
    if not all(isinstance(part, Mapping) for part in (c.origin, *rows)):
        raise TypeError("a list or text where named values belong")
    for frames in c.origin.get("frames", {}).values():
        for moved in frames.values():
            if type(moved) is not int:
                raise TypeError(f"{moved!r} moved references")
    for doubt in c.origin.get("hardware", {}).values():
        if not 0.0 <= doubt < np.inf:
            raise ValueError(f"{doubt!r} as the doubt that changed hardware left")
    for job, after_run, change in c.origin.get("reviewed", []):
        if not all(isinstance(text, str) for text in (job, after_run, change)):
            raise TypeError("reviews that name no pair")


def _no_number(text: str) -> float:
    raise ValueError(f"{text} where a number belongs")


def _bad(path: str | PathLike[str], column: str | None, found: str, expected: str) -> BadInput:
    return BadInput([Problem("fault", str(path), None, column, found, expected)])


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
            [int(x) if whole else number(x) for x in part.ravel().tolist()] for part in parts
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
    flat = parts[0]
    if kind is complex:
        flat = np.empty(len(flat), dtype=complex)
        flat.real, flat.imag = parts  # a sum of the two would lose the sign of a zero
    return flat.reshape(packed["shape"]).astype(kind)
