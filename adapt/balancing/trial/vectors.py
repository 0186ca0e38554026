"""One and more planes by the vector method, from a job's own runs with trial weights.

Puts together what the runs teach (`own_runs`), how far planes can be told apart (`conditioning`),
the correction at any amount and angle (`correction`) and, where the rotor file has limits, the plan
in steps of the hardware (`adapt.planning`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from adapt.balancing.grams import is_mass, weights_of
from adapt.balancing.trial.correction import Correction, correct
from adapt.balancing.trial.own_runs import LastRun, OwnRuns, last_run, own_runs
from adapt.coefficients import Coefficients, Noise, require_design
from adapt.coefficients.intervals import amplitude_interval
from adapt.log import History
from adapt.planning import plan as plan_in_steps
from adapt.planning.job.standing import Standing, standing_of
from adapt.planning.plan import Plan
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor
from adapt.rotor.limit_sets import require_limit_set

__all__ = ["Balance", "Effect", "balance", "correction_of"]


@dataclass(frozen=True)
class Effect:
    """What one unit in the first hole of a plane does to a reading, by the job's own runs.

    value: complex (lag, sensor's unit). sd: per component. low, high: amplitude, 95 %. pairs: runs
    with the run before them between which the plane's weight changed. All are None, but for pairs,
    where the runs do not tell.
    """

    plane: str
    sensor: str
    regime: str
    value: complex | None
    sd: float | None
    low: float | None
    high: float | None
    pairs: int


@dataclass(frozen=True, eq=False)
class Balance:
    """What a job's own runs say of its planes, and the correction that follows.

    correction: of all planes together. well_known: of the well-known combinations alone, None where
    the first may be used or nothing is well known. plan: in steps of the hardware, None where the
    rotor file has no limit on what was read, the user did not want it, or no plane may be used;
    why_no_plan says which. last_run: whether it fits what the earlier runs foretell.
    """

    rotor: str
    job: str
    after_run: str
    planes: tuple[str, ...]
    effects: tuple[Effect, ...]
    coefficients: Coefficients
    standing: Standing
    correction: Correction
    well_known: Correction | None
    plan: Plan | None
    why_no_plan: str
    last_run: LastRun
    notes: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether there is a correction to use, of all planes or of what is well known."""
        return not self.correction.poorly_known or self.well_known is not None


def balance(
    rotor: Rotor,
    history: History,
    job: str,
    planes: Collection[str] = (),
    regimes: Collection[str] = (),
    limits: str | None = None,
    in_steps: bool = True,
    aim: str = "fewest",
    seconds: float = 20.0,
) -> Balance:
    """Return what a job's own runs say of its planes and the correction that follows.

    planes: adjusters, one a plane; () = the weights that were moved in the job, or all that was
    moved where no weight was. regimes: correct for these
    alone. limits: a named set. in_steps: whether to plan in steps of the hardware as well; aim,
    seconds: of that plan. A trial weight that is taken off again is a move like any other: what
    stands at the last run is what the correction starts from.

    Raises BadInput for a job or a request that cannot be used; CannotBeMet when the job has no
    runs with a trial weight, when moves or an event stand after its last run, or when a plane that
    was asked for was never moved.
    """
    require_limit_set(rotor, limits)
    own = own_runs(rotor, history, job)
    chosen, not_told = _planes(rotor, own, tuple(planes) or _usual_planes(rotor, own), bool(planes))
    standing = standing_of(rotor, own.coefficients, own.history, job)
    noise = own.coefficients.noise
    found = correct(rotor, standing.vibration, noise, chosen, regimes, limits)
    well_known = None
    if found.poorly_known and any(d.known for d in found.conditioning.directions):
        well_known = correct(
            rotor, standing.vibration, noise, chosen, regimes, limits, only_known=True
        )
    plan, why = None, "not asked for"
    if in_steps:
        plan, why = _plan(rotor, own.coefficients, own.history, job, found, regimes, limits, aim,
                          seconds)  # fmt: skip
    return Balance(
        rotor=standing.rotor,
        job=job,
        after_run=standing.after_run,
        planes=chosen,
        effects=_effects(rotor, own.coefficients, standing.rotor, chosen),
        coefficients=own.coefficients,
        standing=standing,
        correction=found,
        well_known=well_known,
        plan=plan,
        why_no_plan=why,
        last_run=last_run(rotor, own),
        notes=(*own.notes, *not_told),
    )


def correction_of(
    rotor: Rotor,
    history: History,
    job: str,
    coefficients: Coefficients | None = None,
    planes: Collection[str] = (),
    regimes: Collection[str] = (),
) -> tuple[Standing, Correction, Noise]:
    """Return where a job stands, the correction, and the noise that was reckoned with.

    coefficients: given ones; None = what the job's own runs teach. planes: adjusters; () = those
    moved in the job, or with given coefficients all weights that they know. Raises as `balance`.
    """
    if coefficients is None:
        own = own_runs(rotor, history, job)
        coefficients, history = own.coefficients, own.history
        chosen, _ = _planes(rotor, own, tuple(planes) or _usual_planes(rotor, own), bool(planes))
    else:
        require_design(coefficients, rotor)
        chosen = tuple(planes) or tuple(a.name for a in weights_of(rotor))
    standing = standing_of(rotor, coefficients, history, job)
    noise = coefficients.noise
    return standing, correct(rotor, standing.vibration, noise, chosen, regimes), noise


def _plan(
    rotor: Rotor,
    coefficients: Coefficients,
    history: History,
    job: str,
    found: Correction,
    regimes: Collection[str],
    limits: str | None,
    aim: str,
    seconds: float,
) -> tuple[Plan | None, str]:
    """Return the plan in steps of the hardware, or why there is none."""
    without = set(found.conditioning.without_effect)
    if without >= set(found.planes):
        return None, "no plane whose trial weight changed the readings"
    if not any(rotor.limit_for(s, r, limits) for s, r in rotor.channels):
        return None, "the rotor file has no limits to plan for"
    locked = [a for a in rotor.adjuster_names if a not in found.planes or a in without]
    planned_for = _without_track(rotor, found.planes)
    try:
        planned = plan_in_steps(
            planned_for,
            coefficients,
            history,
            job=job,
            aim=aim,
            limits=limits,
            regimes=list(regimes) or None,
            locked_adjusters=locked,
            seconds=seconds,
        )
    except (BadInput, CannotBeMet) as error:
        # What trial runs tell of may be less than what has limits: the correction still stands.
        return None, str(error)
    return planned if planned_for is rotor else replace(planned, track=()), ""


def _without_track(rotor: Rotor, planes: tuple[str, ...]) -> Rotor:
    """Return the rotor without limits on track where all planes are weights.

    A few runs show changes of track that are noise, and weights would be moved to put track right.
    """
    if not all(rotor.adjuster(plane).is_weight for plane in planes):
        return rotor
    return replace(rotor, limits=tuple(x for x in rotor.limits if x.sensor is not None))


def _usual_planes(rotor: Rotor, own: OwnRuns) -> tuple[str, ...]:
    """Return the weights that were moved, or all that was moved where no weight was.

    A link or tab that was moved in the job moves the track, too: it is no plane to balance with.
    """
    return tuple(name for name in own.moved if is_mass(rotor.adjuster(name))) or own.moved


def _planes(
    rotor: Rotor, own: OwnRuns, wanted: tuple[str, ...], named: bool
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the planes whose effects the runs tell, and notes of those that they do not.

    named: whether a person named them; then each must be told. Raises CannotBeMet otherwise, and
    where none is told. Names that the rotor file does not know are left to `correct`.
    """
    serial = str(own.history.runs["rotor"].iloc[0])
    mean = own.coefficients.of(serial).mean
    nothing = {a for a, name in enumerate(rotor.adjuster_names) if np.isnan(mean[:, a]).all()}
    lost = [
        name
        for name in wanted
        if name in rotor.adjuster_names and rotor.adjuster_names.index(name) in nothing
    ]
    words = (
        f"these runs do not tell what {' or '.join(lost)} does: not moved, or only together with "
        "another. A run with a trial weight in one plane alone tells"
    )
    if lost and (named or len(lost) == len(wanted)):
        raise CannotBeMet(words)
    kept = tuple(name for name in wanted if name not in lost)
    return kept, (words[:1].upper() + words[1:] + ".",) if lost else ()


def _effects(
    rotor: Rotor, coefficients: Coefficients, serial: str, planes: tuple[str, ...]
) -> tuple[Effect, ...]:
    posterior = coefficients.of(serial)
    effects = []
    for plane in planes:
        a = rotor.adjuster_names.index(plane)
        mean = posterior.mean[:, a]
        sd = np.sqrt(np.maximum(posterior.cov[:, a, a].real, 0.0) / 2.0)
        low, high = amplitude_interval(mean, sd)
        for j, (sensor, regime) in enumerate(rotor.channels):
            known = not np.isnan(mean[j])
            effects.append(
                Effect(
                    plane=plane,
                    sensor=sensor,
                    regime=regime,
                    value=complex(mean[j]) if known else None,
                    sd=float(sd[j]) if known else None,
                    low=float(low[j]) if known else None,
                    high=float(high[j]) if known else None,
                    pairs=int(posterior.pairs[j, a]),
                )
            )
    return tuple(effects)
