"""`adapt amplitudes`: one plane without phase."""

from __future__ import annotations

import argparse

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer
from adapt.commands.asking import Commands, at_least_0, rotor_file

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "amplitudes",
        "balance one plane without phase, from amplitudes with a trial weight in several places",
        "adapt amplitudes fan.toml amplitudes.csv --sensor bearing --regime 'full speed'",
    )
    rotor_file(sub)
    sub.add_argument(
        "table", metavar="TABLE",
        help="the runs: run, amplitude, and blade, adjuster, amount of the trial weight",
    )  # fmt: skip
    sub.add_argument("--sensor", metavar="S", help="the sensor; needed when there is more than one")
    sub.add_argument("--regime", metavar="R", help="the regime; needed when there is more than one")
    sub.add_argument(
        "--sd", metavar="X", type=_sd,
        help="noise of a run's reading, in the sensor's unit (the rotor file's, else the runs')",
    )  # fmt: skip


def run(asked: argparse.Namespace) -> int:
    import adapt
    from adapt.balancing.trial.amplitude_table import read_amplitudes, without_phase
    from adapt.balancing.trial.before import chosen_channel
    from adapt.reports.balancing.amplitudes import amplitudes_document, amplitudes_report

    rotor = adapt.read_rotor(asked.rotor)
    sensor, regime = chosen_channel(rotor, asked.sensor, asked.regime)
    runs = read_amplitudes(asked.table, rotor, sensor, regime)
    found = without_phase(rotor, runs, asked.sd)
    answer(
        asked,
        lambda: amplitudes_document(found, runs, rotor),
        lambda: amplitudes_report(found, runs, rotor),
    )
    return DONE if found.usable else CANNOT_BE_MET


def _sd(text: str) -> float:
    return at_least_0(text, "a noise above 0, such as 0.02")
