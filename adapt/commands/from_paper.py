"""`adapt from-paper`: a paper chart becomes a chart in numbers."""

from __future__ import annotations

import argparse

from adapt.commands.answering import CANNOT_BE_MET, DONE, answer, say
from adapt.commands.asking import Commands, rotor_file
from adapt.commands.places import require_apart

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "from-paper",
        "find the effects that a paper chart is drawn from, from readings plotted on it",
        "adapt from-paper tail-rotor.toml tail-points.csv --output tail-chart.csv",
    )
    rotor_file(sub)
    sub.add_argument(
        "points", metavar="POINTS", help="the readings plotted, and what the chart says for each"
    )
    sub.add_argument("--chart", metavar="F", help="a chart whose other rows are kept")
    sub.add_argument("--output", metavar="F", help="write the chart to this file (CSV)")


def run(asked: argparse.Namespace) -> int:
    """Read plotted points, fit the effects, and write the chart when it is usable."""
    import adapt
    from adapt.balancing.paper.from_paper import from_paper
    from adapt.balancing.paper.points import read_points
    from adapt.chart import write_chart
    from adapt.reports.balancing.from_paper import from_paper_document, from_paper_report

    # The chart whose other rows are kept may be written anew.
    require_apart({"--output": asked.output}, {"ROTOR": asked.rotor, "POINTS": asked.points})
    rotor = adapt.read_rotor(asked.rotor)
    charts = read_points(asked.points, rotor)
    beside = adapt.read_chart(asked.chart, rotor) if asked.chart else None
    read = from_paper(rotor, charts, beside)
    written = None
    if read.chart is not None and asked.output is not None:
        write_chart(read.chart, rotor, asked.output, digits=6)
        written = asked.output
        say(f"chart written to {asked.output}")
    answer(
        asked,
        lambda: from_paper_document(read, rotor),
        lambda: from_paper_report(read, rotor, written),
    )
    return DONE if read.chart is not None else CANNOT_BE_MET
