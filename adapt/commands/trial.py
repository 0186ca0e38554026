"""`adapt trial`: how large a trial weight may be."""

from __future__ import annotations

import argparse
from dataclasses import replace

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer, read_log
from adapt.commands.asking import Commands, at_least_0, known_on, published_set, rotor_file
from adapt.problems import BadInput

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "trial",
        "plan a safe trial weight: how much, what bounds it, when to shut down",
        "adapt trial fan.toml --mass 60 --radius 150 --adjuster 'front weight' "
        "--sensor 'front bearing' --regime 'full speed' --amplitude 3.6\n"
        "  adapt trial tail-rotor.toml --mass 9 --radius 420 --force-share 150 "
        "--adjuster 'span weight' --log log/ --job J-057 --blade 1 --chart tail-chart.csv",
    )
    rotor_file(sub)
    sub.add_argument("--mass", metavar="KG", type=_number, required=True, help="of the rotor")
    sub.add_argument(
        "--radius", metavar="MM", type=_number, required=True, help="at which the weight sits"
    )
    sub.add_argument(
        "--adjuster", metavar="A", help="the weight; needed when the rotor has more than one"
    )
    sub.add_argument(
        "--rpm", metavar="RPM", type=_number, help="highest speed (the rotor file's highest)"
    )
    sub.add_argument(
        "--grade", metavar="G", type=_number, default=6.3,
        help="balance quality grade of ISO 21940-11 in mm/s (default 6.3)",
    )  # fmt: skip
    sub.add_argument(
        "--multiple", type=_number, metavar="K", default=10.0,
        help="most times the permissible unbalance (default 10; 5 to 10 is common practice)",
    )  # fmt: skip
    sub.add_argument(
        "--force-share", type=_number, metavar="P", default=10.0,
        help="most per cent of the rotor's weight that it may pull with (default 10)",
    )  # fmt: skip
    sub.add_argument(
        "--fitted", metavar="X", type=_number,
        help="what the blade carries now (default: what the log says, else 0)",
    )  # fmt: skip
    sub.add_argument(
        "--blade", metavar="B",
        help="with --log: the blade it goes on (default: any, so the one with the least room)",
    )  # fmt: skip
    sub.add_argument(
        "--amplitude", metavar="X", type=_number, help="what is read now, in the sensor's unit"
    )
    sub.add_argument("--sensor", metavar="S", help="the sensor that reads it")
    sub.add_argument("--regime", metavar="R", help="the regime that it is read in")
    sub.add_argument(
        "--log",
        metavar="LOG",
        help="with --job: take what the job's last run read, and what is fitted",
    )
    known_on(sub)
    sub.add_argument("--job", metavar="J", help="with --log: the job")
    sub.add_argument("--limits", metavar="S", help="a named set of limits of the rotor file")
    sub.add_argument(
        "--stop", metavar="X", type=_number, help="shut down when a reading passes this amplitude"
    )
    source = sub.add_mutually_exclusive_group()
    published_set(source)
    source.add_argument("--chart", metavar="F", help="take effects from this chart")
    source.add_argument("--coefficients", metavar="F", help="take effects from learned ones")


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.balancing.grams import highest_rpm, one_weight
    from adapt.balancing.trial.asked import Asked
    from adapt.balancing.trial.before import (
        chosen_channel,
        effects_of_chart,
        effects_of_coefficients,
        last_read,
        now_of,
    )
    from adapt.balancing.trial.room import room_of
    from adapt.balancing.trial.size import trial_weight
    from adapt.reports.balancing.trial import trial_document, trial_report

    _require(asked)
    rotor = adapt.read_rotor(asked.rotor)
    adjuster = one_weight(rotor, asked.adjuster)
    amplitudes: dict[tuple[str, str], float] = {}
    serial, room = "", None
    if asked.job is not None:
        history = adapt.check(rotor, read_log(asked))
        amplitudes = last_read(rotor, history, asked.job)
        serial = str(history.runs.loc[history.runs["job"] == asked.job, "rotor"].iloc[0])
        room = room_of(rotor, history, asked.job, adjuster, asked.blade, asked.fitted)
    elif asked.amplitude is not None:
        amplitudes[chosen_channel(rotor, asked.sensor, asked.regime)] = asked.amplitude
    effects = None
    if asked.chart:
        effects = effects_of_chart(rotor, adapt.read_chart(asked.chart, rotor), adjuster)
    elif asked.published:
        from adapt.commands.from_logbook import set_asked_for

        stored, _ = set_asked_for(asked, rotor)
        effects = effects_of_coefficients(rotor, stored, adjuster, serial)
    elif asked.coefficients:
        stored = adapt.read_coefficients(asked.coefficients, rotor)
        effects = effects_of_coefficients(rotor, stored, adjuster, serial)
    request = Asked(
        mass_kg=asked.mass,
        radius_mm=asked.radius,
        rpm=highest_rpm(rotor) if asked.rpm is None else asked.rpm,
        grade=asked.grade,
        multiple=asked.multiple,
        force_share=asked.force_share / 100.0,
        fitted=room.fitted if room is not None else asked.fitted or 0.0,
        blade=asked.blade or "",
        room=room.bounds if room is not None else (),
    )
    now = now_of(rotor, amplitudes, effects, asked.stop, asked.limits)
    trial = trial_weight(adjuster, request, now)
    if room is not None:
        trial = replace(trial, notes=(*room.notes, *trial.notes))
    answer(
        asked,
        lambda: trial_document(trial, request, rotor),
        lambda: trial_report(trial, request, rotor),
    )
    return DONE if trial.usable else CANNOT_BE_MET


def _require(asked: argparse.Namespace) -> None:
    """Raise one BadInput for options that do not go together; none is left out without a word."""
    wrong = []
    if (asked.log is None) != (asked.job is None):
        wrong.append("--log and --job go together")
    if asked.blade is not None and asked.log is None:
        wrong.append("--blade goes with --log and --job, which say what stands on it")
    if asked.log is None and (asked.published or asked.as_known_on):
        wrong.append("--set and --as-known-on go with --log, a logbook, and --job")
    if asked.job is not None and asked.amplitude is not None:
        wrong.append("--amplitude or --log with --job, not both")
    if asked.amplitude is None and (asked.sensor is not None or asked.regime is not None):
        wrong.append("--sensor and --regime say what reads --amplitude: they go with it")
    of_readings = ("stop", "limits", "chart", "coefficients")
    given = [f"--{name}" for name in of_readings if getattr(asked, name) is not None]
    if given and asked.amplitude is None and asked.job is None:
        wrong.append(f"{' and '.join(given)}: about readings; give --amplitude, or --log and --job")
    if wrong:
        raise BadInput("; ".join(wrong))


def _number(text: str) -> float:
    return at_least_0(text, "a number, such as 12.5")
