"""A specialist's and an analyst's whole way in a browser, on the demo's tail rotors."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from books import DEMO

import adapt

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from browsing import waited
from playwright.sync_api import Page, expect

expect.set_options(timeout=60_000)

ROTOR = "TR-302"


def goes_to(page: Page, menu: str, link: str) -> None:
    """Follow a link of a menu, and wait for what it shows."""
    page.get_by_role("navigation", name=menu).get_by_role("link", name=link, exact=True).click()
    waited(page)


def takes_the_tail_rotor(page: Page) -> None:
    page.get_by_label("Design").select_option("tail rotor")
    page.get_by_role("button", name="Show").first.click()
    waited(page)
    expect(page.get_by_role("heading", level=1)).to_contain_text("Tail rotor")


def test_a_specialist_decides_learns_publishes_and_withdraws(person: Any) -> None:
    page = person.opens("job/moves?job=J-037&run=1")
    # Somebody enters a move with the wrong sign.
    weight = page.get_by_label("span weight on blade 1", exact=True)
    expect(weight).to_have_value("-18")
    weight.fill("18")
    page.get_by_role("button", name="Keep these moves").click()
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")

    goes_to(page, "Main", "Rotors")
    takes_the_tail_rotor(page)
    finds_and_accepts_it(page)
    sees_a_rotor_beside_type_and_chart(page)
    publishes(page, "2026-11")
    the_planner_plans_with(page, "the published set 2026-11")
    withdraws(page, "2026-11")
    the_planner_plans_with(page, "of this logbook, starting from tail-chart.csv")


def finds_and_accepts_it(page: Page) -> None:
    goes_to(page, "Rotors", "Suspect entries")
    row = page.get_by_role("row").filter(has_text="on blade 1 was -18")
    expect(row).to_have_count(1)
    row.get_by_role("radio", name="this is true: use the log so corrected").check()
    page.get_by_label("Why, in a few words").fill("asked the crew")
    page.get_by_role("button", name="Decide").click()
    expect(page.locator("main")).to_contain_text("-18")
    page.get_by_role("link", name="Learn again, and go on with the next").click()
    waited(page)
    expect(page.locator("main")).to_contain_text("No entry is suspect.")
    expect(page.locator("main")).to_contain_text("asked the crew")


def sees_a_rotor_beside_type_and_chart(page: Page) -> None:
    goes_to(page, "Rotors", "Coefficients")
    page.get_by_label("Of", exact=True).select_option(label=f"rotor {ROTOR}")
    page.get_by_role("button", name="Show").last.click()
    waited(page)
    expect(page.get_by_role("heading", level=1)).to_contain_text(f"coefficients of {ROTOR}")
    told = page.locator("figure img").first.get_attribute("alt") or ""
    assert "chart" in told
    assert ROTOR in told
    page.evaluate("for (const i of document.images) i.loading = 'eager'")
    page.evaluate("Promise.all([...document.images].map((i) => i.decode()))")


def publishes(page: Page, label: str) -> None:
    goes_to(page, "Rotors", "Published sets")
    expect(page.locator("main")).to_contain_text("was published yet")
    page.get_by_label("Name of the set").fill(label)
    page.get_by_role("button", name="Publish").click()
    waited(page)
    expect(page.locator("main")).to_contain_text(f"Published: {label}, learned from")
    expect(page.get_by_role("row").filter(has_text=label)).to_contain_text("in use")
    goes_to(page, "Rotors", "Over time")
    expect(page.get_by_role("row").filter(has_text=label).first).to_contain_text("@")


def the_planner_plans_with(page: Page, words: str) -> None:
    page.goto(f"{page.url.split('/rotors')[0].split('/job')[0]}/job/plan?job=J-057")
    waited(page)
    expect(page.locator("[data-plan]")).to_contain_text(words)


def withdraws(page: Page, label: str) -> None:
    goes_to(page, "Main", "Rotors")
    takes_the_tail_rotor(page)
    goes_to(page, "Rotors", "Published sets")
    page.get_by_role("link", name=label, exact=True).click()
    page.get_by_label("Why it is not to be used").fill("learned too early")
    page.get_by_role("button", name="Withdraw").click()
    row = page.get_by_role("row").filter(has_text=label)
    expect(row).to_contain_text("WITHDRAWN")
    expect(row).to_contain_text("learned too early")


def test_an_analyst_goes_from_all_runs_to_one_reading(person: Any, tmp_path: Path) -> None:
    page = person.opens("predictions?design=tail+rotor")
    waited(page)
    expect(page.get_by_role("heading", level=1)).to_contain_text("Tail rotor")
    expect(page.locator("main")).to_contain_text("runs of")
    goes_to(page, "Predictions", "Calibration")
    expect(page.locator("figure img").first).to_have_attribute("alt", re.compile("came true"))
    goes_to(page, "Predictions", "The chart")
    with page.expect_download() as download:
        page.get_by_role("link", name="Download it (CSV)").click()
    file = tmp_path / "corrected.csv"
    download.value.save_as(file)
    rotor = adapt.read_rotor(DEMO / "tail-rotor.toml")
    corrected, chart = (
        adapt.read_chart(file, rotor),
        adapt.read_chart(DEMO / "tail-chart.csv", rotor),
    )
    assert (abs(corrected.mean - chart.mean) > 0.01 * abs(chart.mean)).any()
    goes_to(page, "Predictions", "Single runs")
    page.get_by_label("Rotor", exact=True).select_option(ROTOR)
    page.get_by_role("button", name="Show").last.click()
    waited(page)
    row = page.get_by_role("row").filter(has=page.get_by_role("link")).first
    job, run = re.search(r"job (\S+), run (\S+)", row.inner_text()).groups()  # type: ignore[union-attr]
    row.get_by_role("link").click()
    waited(page)
    # What it says was read is what the log says.
    log = adapt.check(rotor, adapt.read_log(DEMO / "log")).readings
    mine = log[(log["job"] == job) & (log["run"] == run)]
    assert len(mine)
    for value in mine["value"]:
        expect(page.locator("main")).to_contain_text(f"{abs(value):.3f} @")
