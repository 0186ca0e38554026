"""Pages for the analyst: predictions beside what was read, from all runs down to one reading."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, render_template, request, url_for

from adapt.chart import write_chart
from adapt.outcomes import Outcome, corrected_chart
from adapt.outcomes.columns import CHART, EARLY, LEARNED, NO_CHANGE
from adapt.pages import tasks
from adapt.pages.designs import design_asked_for, waiting
from adapt.pages.work import QUICK_S, Work
from adapt.problems import AdaptError, BadInput, CannotBeMet, shown
from adapt.reports.layout import Block, Bullets, Heading
from adapt.reports.outcomes.chart_verdict import chart_verdict, findings
from adapt.reports.outcomes.compared import errors_report
from adapt.reports.outcomes.held import held
from adapt.reports.outcomes.one_run import one_run_report, runs_told
from adapt.reports.pictures.drawing import plain_name
from adapt.reports.pictures.outcomes import calibration_picture, error_pictures
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["routes"]

MOST_SAID = 4  # of the chart, where all is told in short


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/predictions")
    def predictions() -> Any:
        def told(state: State, rotor: Rotor, outcome: Outcome) -> dict[str, Any]:
            report = errors_report(outcome, rotor)
            said = findings(outcome, 1_000) if state.chart_of(rotor) is not None else ()
            notes = [Heading("Notes"), Bullets(outcome.notes)] if outcome.notes else []
            return {
                "report": [*report, *notes],
                "pictures": error_pictures(outcome, rotor) if outcome.runs else [],
                "verdict": said[:MOST_SAID],
                "unsaid": len(said) - MOST_SAID,
            }

        return _page(shop, "predictions.html", told)

    @app.get("/predictions/calibration")
    def calibration() -> Any:
        def told(state: State, rotor: Rotor, outcome: Outcome) -> dict[str, Any]:
            picture = calibration_picture(outcome) if outcome.runs else None
            report: list[Block] = list(held(outcome)) if outcome.runs else []
            return {"report": [*([] if picture is None else [picture]), *report]}

        return _page(shop, "calibration.html", told)

    @app.get("/predictions/chart")
    def charted() -> Any:
        def told(state: State, rotor: Rotor, outcome: Outcome) -> dict[str, Any]:
            chart = state.chart_of(rotor)
            report = chart_verdict(outcome) if chart is not None and outcome.runs else []
            learned = outcome.learned
            can = learned is not None and learned.chart is not None
            return {"report": report, "chart": chart, "can_be_corrected": can}

        return _page(shop, "charted.html", told)

    @app.get("/predictions/chart.csv")
    def corrected() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            raise BadInput("design: found none; expected one whose rotor file is kept")
        work = _comparing(shop, state, rotor)
        if not work.wait(QUICK_S):
            return waiting(state, work, url_for("predictions", design=rotor.name, compare="no"))
        content = _as_csv(work.result(), rotor)
        answer = Response(content, mimetype="text/csv")
        file = f"{plain_name(rotor.name)}-chart-after-change-{state.change}.csv"
        answer.headers["Content-Disposition"] = f'attachment; filename="{file}"'
        return answer

    @app.get("/predictions/runs")
    def predicted_runs() -> Any:
        def told(state: State, rotor: Rotor, outcome: Outcome) -> dict[str, Any]:
            serials = list(dict.fromkeys(str(s) for s in outcome.predictions["rotor"]))
            serial = request.args.get("rotor") or (serials[0] if serials else "")
            if serials and serial not in serials:
                raise BadInput(
                    f"rotor: found {shown(serial)}; expected one with a run that could be "
                    f"predicted: {', '.join(serials[:10])}"
                )
            runs = runs_told(outcome, serial)[::-1] if serials else []
            present = {m for one in runs for m in one.errors}
            return {
                "serials": serials, "serial": serial, "runs": runs,
                "methods": [m for m in (NO_CHANGE, CHART, EARLY, LEARNED) if m in present],
            }  # fmt: skip

        return _page(shop, "predicted_runs.html", told)

    @app.get("/predictions/run")
    def predicted_run() -> Any:
        def told(state: State, rotor: Rotor, outcome: Outcome) -> dict[str, Any]:
            job, run = request.args.get("job", ""), request.args.get("run", "")
            serial = state.job(job).rotor
            runs = [one for one in runs_told(outcome, serial) if one.job == job]
            at = next((k for k, one in enumerate(runs) if one.run == run), None)
            if at is None:
                could = ", ".join(one.run for one in runs) or "none"
                raise BadInput(
                    f"run: found {shown(run)}; expected a run of job {job} that could be "
                    f"predicted: {could}"
                )
            moves = state.history(rotor, serial).moves
            before = state.job(job).runs
            last = before[before.index(run) - 1] if run in before and before.index(run) else ""
            made = moves[(moves["job"] == job) & (moves["after_run"] == last)]
            return {
                "serial": serial, "told": runs[at], "runs": runs,
                "moves": [_move(row, rotor) for row in made.to_dict("records")],
                "last": last, "report": one_run_report(outcome, rotor, job, run),
            }  # fmt: skip

        return _page(shop, "predicted_run.html", told)


def _move(row: Any, rotor: Rotor) -> str:
    unit = rotor.adjuster(str(row["adjuster"])).unit
    return f"{row['adjuster']} on blade {row['blade']} {float(row['amount']):+g} {unit}"


def _comparing(shop: Shop, state: State, rotor: Rotor) -> Work:
    return shop.works.begin(
        f"Predicting every run of the {rotor.name} from the runs before it", tasks.compare_all,
        shop.fleet.place, state.change, rotor.name, kind=f"compared {rotor.name}",
    )  # fmt: skip


def _page(shop: Shop, template: str, told: Any) -> Any:
    """Return a page of a comparison, or that it is on its way, or why there is none."""
    state = shop.fleet.state()
    rotor = design_asked_for(state)
    if rotor is None:
        return render_template("no_design.html", state=state, title="Predictions")
    shared = {"state": state, "rotor": rotor, "rotors": state.rotors()}
    if request.args.get("compare") == "no":
        return render_template("no_comparison.html", why_not=[], **shared)
    work = _comparing(shop, state, rotor)
    if not work.wait(QUICK_S):
        return waiting(state, work, url_for("predictions", design=rotor.name, compare="no"))
    try:
        outcome = work.result()
    except AdaptError as error:
        return render_template("no_comparison.html", why_not=str(error).splitlines(), **shared)
    return render_template(template, outcome=outcome, **told(state, rotor, outcome), **shared)


def _as_csv(outcome: Outcome, rotor: Rotor) -> bytes:
    """Return the corrected chart as a file. Raises CannotBeMet where there is none to put right."""
    if outcome.learned is None or outcome.learned.chart is None:
        raise CannotBeMet(
            f"no chart of the {rotor.name} can be put right: none is kept, or there are no runs"
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "chart.csv"
        write_chart(corrected_chart(outcome.learned), rotor, path, digits=6)
        return path.read_bytes()
