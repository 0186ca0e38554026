"""Examples in the docs do what they say, on the demo."""

from __future__ import annotations

import re
from pathlib import Path

import adapt

DOCS = Path(__file__).parents[1] / "docs"
DEMO = Path(__file__).parents[1] / "datasets" / "demo"


def test_the_example_of_constraints_gives_a_plan_that_keeps_them() -> None:
    text = (DOCS / "planning.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- example: constraints -->\n```python\n(.*?)```", text, re.DOTALL)
    assert found is not None
    rotor = adapt.read_rotor(DEMO / "main-rotor.toml")
    log = adapt.check(rotor, adapt.read_log(DEMO / "log"))
    learned = adapt.learn(rotor, log, chart=adapt.read_chart(DEMO / "chart.csv", rotor))
    names = {"adapt": adapt, "rotor": rotor, "learned": learned, "log": log}
    exec(found[1], names)
    plan = names["plan"]
    moved = {(m.adjuster, m.blade): m.amount for m in plan.moves}
    first, third = rotor.blades[0], rotor.blades[2]
    links = [moved.get(("pitch link", blade), 0.0) for blade in (first, third)]
    assert sum(links) == 0.0
    fitted = log.fitted[log.fitted["job"] == "J-058"]
    weights = {
        blade: float(
            fitted.loc[
                (fitted["blade"] == blade) & (fitted["adjuster"] == "hub weight"), "amount"
            ].sum()
        )
        + moved.get(("hub weight", blade), 0.0)
        for blade in rotor.blades
    }
    assert max(weights.values()) - min(weights.values()) <= 60.0
    assert plan.moves
