"""A planner's whole way in a browser, then the technician's, up to a closed job's report."""

from __future__ import annotations

import base64
import io
import re
from typing import Any

import pytest
from books import DEMO

import adapt
from adapt.phasor import from_lag, phase_deg
from adapt.planning.plan import Plan
from adapt.rotor import Rotor

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from browsing import scrolls_sideways, tab_to, waited
from playwright.sync_api import Page, expect
from pypdf import PdfReader

expect.set_options(timeout=60_000)

JOB = "J-058"


@pytest.fixture(scope="module")
def rotor() -> Rotor:
    return adapt.read_rotor(DEMO / "main-rotor.toml")


@pytest.fixture(scope="module")
def planned(rotor: Rotor) -> Plan:
    """The same question asked of the program itself, on the demo's files."""
    log = adapt.read_log(DEMO / "log")
    learned = adapt.learn(rotor, log, chart=adapt.read_chart(DEMO / "chart.csv", rotor))
    return adapt.plan(rotor, learned, log, JOB)


def ordered(page: Page) -> set[tuple[str, ...]]:
    """Return blade, adjuster and change of a page's table of moves."""
    rows = page.locator("table", has_text="What to do").first.locator("tbody tr").all()
    return {tuple(row.locator("th, td").all_inner_texts()[:3]) for row in rows}


def asked(plan: Plan, rotor: Rotor) -> set[tuple[str, ...]]:
    return {
        (m.blade, m.adjuster, f"{m.amount:+g} {rotor.adjuster(m.adjuster).unit}")
        for m in plan.moves
    }


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf)).pages).split())


def test_a_job_from_its_plan_to_its_report(
    person: Any, served: Any, planned: Plan, rotor: Rotor
) -> None:
    served.until_planned(JOB)
    page = person.opens()
    person.expects("status of 400")  # an amount that is none, of moves by hand
    page.get_by_role("link", name=JOB, exact=True).click()
    page.get_by_role("link", name="Plan the fix").click()
    waited(page)

    # What the page says is what the program says of the same files.
    assert ordered(page) == asked(planned, rotor)
    said = page.inner_text("main")
    assert "Proven: fewer moves do not reach the target" in said
    assert "in more than 99 in 100 cases" in said
    assert f"Worst predicted ratio {planned.worst_ratio:.2f}" in said
    assert "Checks that these moves call for" in said
    foot = page.inner_text("footer")
    assert "Rotating blades kill" in foot
    assert re.search(r"data from .*fleet\.logbook after change \d+, 20\d\d-\d\d-\d\d", foot)

    locks_a_blade(page, planned)
    tries_moves_by_hand(page, planned)
    prints(page)
    enters_moves_as_ordered(page, planned, rotor)
    enters_the_run_that_was_predicted(page, planned, rotor)
    closes(page)
    takes_the_reports(page)


def locks_a_blade(page: Page, planned: Plan) -> None:
    page.get_by_text("What is asked for: fewest").click()
    page.get_by_role("checkbox", name="blade red").check()
    page.get_by_role("button", name="Plan again").click()
    waited(page)
    expect(page.locator("details.ask summary")).to_contain_text("locked: red")
    moved = {blade for blade, _, _ in ordered(page)}
    assert moved
    assert "red" not in moved
    assert "red" in {m.blade for m in planned.moves}
    page.get_by_role("checkbox", name="blade red").uncheck()
    page.get_by_role("button", name="Plan again").click()
    waited(page)


def tries_moves_by_hand(page: Page, planned: Plan) -> None:
    form, effect = page.locator("#what-if"), page.locator("#effect")
    form.get_by_role("button", name="As planned").click()
    expect(effect).to_contain_text("Everything with a limit is predicted inside")
    expect(effect).to_contain_text(f"worst predicted ratio {planned.worst_ratio:.2f}")
    form.get_by_role("button", name="Nothing moved").click()
    unmoved = next(t.worst_ratio for t in planned.tradeoff if t.moves == 0)
    expect(effect).to_contain_text(f"Not all inside: worst predicted ratio {unmoved:.2f}")
    weight = form.get_by_label("hub weight on blade red")
    weight.fill("a lot")
    expect(form.locator("[data-for='m.0.0']")).to_contain_text("found 'a lot'; expected an amount")
    weight.fill("40")
    expect(effect).to_contain_text("red: 40 g: add weight")
    weight.press("ArrowUp")
    expect(weight).to_have_value("60")
    expect(effect).to_contain_text("red: 60 g: add weight")
    form.get_by_role("button", name="Undo").click()
    expect(weight).to_have_value("40")
    expect(effect).to_contain_text("red: 40 g: add weight")
    form.get_by_role("button", name="As planned").click()
    expect(effect).to_contain_text("predicted inside")
    assert page.locator("#effect h2").count() == 0


def prints(page: Page) -> None:
    page.evaluate("window.print = () => { document.title = 'printed' }")
    page.get_by_role("button", name="Print").click()
    expect(page).to_have_title("printed")
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Print")).to_be_hidden()
    page.emulate_media(media="null")
    # A page on its way to the printer as the browser lays it out.
    session = page.context.new_cdp_session(page)
    paper = base64.b64decode(session.send("Page.printToPDF")["data"])
    text = text_of(paper)
    for words in ("+240 g", "Checks that these moves call for", "Rotating blades kill",
                  "after change"):  # fmt: skip
        assert words in text, words
    assert "Set" not in text.split("Main rotor", 1)[0]


def enters_moves_as_ordered(page: Page, planned: Plan, rotor: Rotor) -> None:
    page.get_by_label("Note for the hangar").fill("before the night flight")
    page.get_by_role("button", name="Order these moves").click()
    waited(page)
    page.get_by_role("navigation", name="Job").get_by_role("link", name="Moves made").click()
    page.get_by_role("button", name="Fill in as ordered").wait_for()
    assert "before the night flight" in page.inner_text("main")
    assert ordered(page) == asked(planned, rotor)
    page.get_by_role("button", name="Fill in as ordered").click()
    for move in planned.moves:
        field = page.get_by_label(f"{move.adjuster} on blade {move.blade}", exact=True)
        expect(field).to_have_value(f"{move.amount:+g}")
    page.get_by_role("button", name="Keep these moves").click()
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")


def enters_the_run_that_was_predicted(page: Page, planned: Plan, rotor: Rotor) -> None:
    page.get_by_role("link", name="Enter a run").click()
    expect(page.get_by_role("heading", name="Enter run 2")).to_be_visible()
    page.get_by_label("Started").fill("2026-11-25T14:05")
    page.get_by_label("degrees, such as 135").check()
    sensors, regimes = [s.name for s in rotor.sensors], list(rotor.regime_names)
    for reading in planned.readings:
        assert reading.after is not None
        at = f"{sensors.index(reading.sensor)}.{regimes.index(reading.regime)}"
        shown = from_lag(reading.after, rotor.sensor(reading.sensor).phase)
        page.locator(f"[id='f-a.{at}']").fill(f"{abs(shown):.3f}".replace(".", ","))
        page.locator(f"[id='f-c.{at}']").fill(f"{phase_deg(shown):.1f}")
    for track in planned.track:
        for b, blade in enumerate(rotor.blades):
            name = f"h.{regimes.index(track.regime)}.{b}"
            page.locator(f"[id='f-{name}']").fill(f"{track.heights_after[blade]:.1f}")
    tab_to(page, "note", 120)
    page.get_by_role("button", name="Keep this run").click()
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")
    page.get_by_role("link", name="Jobs", exact=True).click()
    row = page.get_by_role("row").filter(has=page.get_by_role("link", name=JOB, exact=True))
    expect(row).to_contain_text("inside")
    expect(row).not_to_contain_text("over")
    row.get_by_role("link", name=JOB, exact=True).click()


def closes(page: Page) -> None:
    released = page.get_by_label("Closed with run 2, released by")
    released.fill("N. Example")
    page.reload()
    expect(released).to_have_value("N. Example")
    page.get_by_role("button", name="Close the job").click()
    expect(page.locator("main")).to_contain_text(
        "Status: closed with run 2, released by N. Example"
    )
    # What is closed takes no more runs unless it is opened again.
    page.get_by_role("link", name="Jobs", exact=True).click()
    assert page.get_by_role("link", name=JOB, exact=True).count() == 0
    page.get_by_label("closed ones too").check()
    page.get_by_role("button", name="Show").click()
    page.get_by_role("link", name=JOB, exact=True).click()


def takes_the_reports(page: Page) -> None:
    page.get_by_role("link", name="Report", exact=True).click()
    waited(page)
    report = page.inner_text("main")
    for words in ("MR-107", JOB, "N. Example", "+240 g", "What was foretold, and what was read",
                  "Cautions", "To be signed by licensed people"):  # fmt: skip
        assert words in report, words
    # Its own styles are let in, and its pictures are there.
    assert (
        page.evaluate("getComputedStyle(document.querySelector('h1')).borderBottomWidth") == "3px"
    )
    page.evaluate("for (const i of document.images) i.loading = 'eager'")
    page.evaluate("Promise.all([...document.images].map((i) => i.decode()))")
    assert page.evaluate("[...document.images].every((i) => i.naturalWidth > 0)")
    page.set_viewport_size({"width": 390, "height": 844})
    assert scrolls_sideways(page) <= 0

    got = page.request.get(page.url.replace("report.html", "report.pdf"))
    assert got.headers["content-type"] == "application/pdf"
    assert f'filename="job {JOB}.pdf"' in got.headers["content-disposition"]
    text = text_of(got.body())
    for words in ("MR-107", JOB, "N. Example", "+240 g", "To be signed by licensed people"):
        assert words in text, words
