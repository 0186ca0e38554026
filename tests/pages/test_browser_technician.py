"""A technician's whole way in a browser: open a job, look, enter by keyboard, lose nothing."""

from __future__ import annotations

import csv
from typing import Any

import pytest
from books import DEMO

import adapt
from adapt.reports.balancing.order_of_work import kind_of

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from browsing import name_in_focus, tab_to, typed_in
from playwright.sync_api import Page, expect

expect.set_options(timeout=60_000)

SENSORS = ("cabin lateral", "cabin vertical", "cockpit vertical")
REGIMES = ("flat pitch", "hover", "60 kt", "90 kt", "120 kt", "descent")
BLADES = ("red", "blue", "green", "yellow", "white")


def read_of(job: str) -> list[tuple[str, str]]:
    """Return what a run of the demo's log read, by field, in the order of the form."""
    with open(DEMO / "log" / "readings.csv", newline="") as file:
        rows = {(r["sensor"], r["regime"]): r for r in csv.DictReader(file)
                if (r["job"], r["run"]) == (job, "1")}  # fmt: skip
    with open(DEMO / "log" / "track.csv", newline="") as file:
        track = {(r["regime"], r["blade"]): r["height"] for r in csv.DictReader(file)
                 if (r["job"], r["run"]) == (job, "1")}  # fmt: skip
    fields = []
    for r, regime in enumerate(REGIMES):
        for s, sensor in enumerate(SENSORS):
            fields.append((f"a.{s}.{r}", rows[sensor, regime]["amplitude"]))
            fields.append((f"c.{s}.{r}", rows[sensor, regime]["clock"]))
    for r, regime in enumerate(REGIMES):
        fields += [(f"h.{r}.{b}", track[regime, blade]) for b, blade in enumerate(BLADES)]
    return fields


def new_job(page: Page, serial: str) -> str:
    """Open a job on a rotor; return its name."""
    page.get_by_role("link", name="New job").click()
    job = page.get_by_label("Job", exact=True).input_value()
    page.get_by_label("Design").select_option("main rotor")
    page.get_by_label("Rotor (its serial)").fill(serial)
    page.get_by_label("Aircraft").fill("OV-TA")
    page.get_by_label("Started").fill("2026-11-26T17:10")
    page.get_by_role("button", name="Open the job").click()
    expect(page.get_by_role("heading", name="Put right run 1")).to_be_visible()
    return job


def test_tonights_readings_are_entered_by_keyboard_alone(person: Any, served: Any) -> None:
    page = person.opens()
    page.get_by_label("Entered by").fill("N. Example")
    page.get_by_role("button", name="Set").click()
    job = new_job(page, "MR-101")
    tonight = read_of("J-058")

    # The order of Tab is the order of reading: no field is passed over.
    tab_to(page, tonight[0][0])
    for name, value in tonight:
        assert name_in_focus(page) == name
        page.keyboard.type(value if name != "c.1.1" else "13:75")
        page.keyboard.press("Tab")
        if name == "h.0.4":  # Enter goes on too, and sends nothing
            page.keyboard.press("Shift+Tab")
            page.keyboard.press("Enter")

    # The mistake is told at its field before anything is sent, and again when it is.
    field = page.locator("[id='f-c.1.1']")
    beside = page.locator("[id='w-c.1.1']")
    expect(beside).to_contain_text("13:75")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_have_attribute("aria-describedby", "w-c.1.1")
    person.expects("status of 400")
    tab_to(page, "note")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("[data-summary]")).to_contain_text("1 field is marked below")
    expect(field).to_be_focused()
    field.press("Control+a")
    page.keyboard.type(dict(tonight)["c.1.1"])
    page.keyboard.press("Tab")
    expect(beside).to_be_hidden()
    tab_to(page, "note")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")

    # What to look at stands open on a job's first run; who entered it is named.
    expect(page.get_by_text("Look at this before balancing at all")).to_be_visible()
    kind = kind_of(adapt.read_rotor(DEMO / "main-rotor.toml"))
    assert page.locator("details.look li").all_inner_texts() == list(kind.look)
    assert page.locator("details.look").get_attribute("open") is not None
    page.get_by_text("Who entered what").click()
    expect(page.get_by_role("row").filter(has_text="N. Example").first).to_be_visible()
    person.goes(page, f"job/enter?job={job}&run=1")
    shown = typed_in(page)
    assert {name: shown[name] for name, _ in tonight} == dict(tonight)


def test_reload_and_back_lose_nothing_undo_and_discard_work(person: Any) -> None:
    page = person.opens()
    job = new_job(page, "MR-102")
    page.locator("[id='f-a.0.1']").fill("0.31")
    page.locator("[id='f-c.0.1']").fill("4:20")
    page.locator("[id='f-h.1.2']").fill("-7")  # still in the field: not left by Tab
    page.reload()
    expect(page.locator("[data-status]")).to_contain_text("is back")
    assert typed_in(page).items() >= {"a.0.1": "0.31", "c.0.1": "4:20", "h.1.2": "-7"}.items()

    # Left for another page, it is named there, with the way back.
    page.get_by_role("link", name="Overview").click()
    page.get_by_role("link", name=f"run 1 of {job}").click()
    expect(page.locator("[id='f-h.1.2']")).to_have_value("-7")
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.go_back()
    expect(page.locator("[id='f-h.1.2']")).to_have_value("-7")

    height, size = page.locator("[id='f-h.1.2']"), page.locator("[id='f-a.0.1']")
    height.fill("9")
    height.press("Tab")
    size.fill("3.1")
    size.press("Tab")
    undo = page.get_by_role("button", name="Undo")
    undo.click()
    expect(size).to_have_value("0.31")
    undo.click()
    expect(height).to_have_value("-7")
    page.get_by_role("button", name="Discard what was not sent").click()
    expect(size).to_have_value("")
    expect(height).to_have_value("")
    undo.click()
    expect(size).to_have_value("0.31")
    page.get_by_role("button", name="Discard what was not sent").click()
    page.reload()
    assert set(typed_in(page)) == {"started"}
    expect(page.locator("[data-status]")).to_be_hidden()


def test_what_is_typed_of_a_job_and_of_an_event_comes_back_too(person: Any) -> None:
    page = person.opens("jobs/new")
    page.get_by_label("Rotor (its serial)").fill("MR-103")
    page.get_by_label("Design").select_option("main rotor")
    page.reload()
    expect(page.locator("[data-status]")).to_contain_text("is back")
    assert typed_in(page).items() >= {"rotor": "MR-103", "design": "main rotor"}.items()
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.get_by_role("link", name="a new job").click()
    expect(page.locator("[data-status]")).to_contain_text("is back")
    page.get_by_label("First run").fill("")
    person.expects("status of 400")
    page.get_by_role("button", name="Open the job").click()
    expect(page.locator("#w-run")).to_contain_text("expected a name")
    expect(page.get_by_label("First run")).to_be_focused()
    page.get_by_label("First run").fill("1")
    job = page.get_by_label("Job", exact=True).input_value()
    page.get_by_role("button", name="Open the job").click()
    expect(page.get_by_role("heading", name="Put right run 1")).to_be_visible()

    person.goes(page, f"job/event?job={job}&run=1")
    page.get_by_label("What", exact=True).select_option("sensor moved")
    page.get_by_label("In a few words").fill("new bracket")
    expect(page.locator("#w-sensor")).to_contain_text("the sensor that was moved")
    page.reload()
    expect(page.locator("[data-status]")).to_contain_text("is back")
    page.get_by_role("link", name="Overview").click()
    page.get_by_role("link", name=f"an event after run 1 of {job}").click()
    expect(page.locator("[data-status]")).to_contain_text("is back")
    page.get_by_label("Which sensor").select_option("cabin vertical")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")
    expect(page.locator("main")).to_contain_text("new bracket")
    expect(page.locator("p.unsent")).to_have_count(0)


def test_what_is_sent_while_the_server_is_down_is_sent_later(person: Any, served: Any) -> None:
    page = person.opens()
    page.get_by_label("Entered by").fill("K. Sample")
    page.get_by_role("button", name="Set").click()
    job = new_job(page, "MR-103")
    page.locator("[id='f-a.0.1']").fill("0.42")
    page.locator("[id='f-c.0.1']").fill("7:05")
    assert served.stop() == 0
    person.expects("net::ERR_CONNECTION_REFUSED")
    try:
        page.get_by_role("button", name="Keep this run").click()
        expect(page.locator("[data-status]")).to_contain_text("there is no connection")
    finally:
        served.start()
    # Nobody touches the page: it is sent by itself, and under the same name.
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")
    page.get_by_text("Who entered what").click()
    expect(page.get_by_role("row").filter(has_text="a run").first).to_contain_text("K. Sample")
    person.goes(page, f"job/enter?job={job}&run=1")
    assert typed_in(page)["c.0.1"] == "7:05"


def test_two_tabs_that_write_the_same_run_lose_nothing(person: Any, served: Any) -> None:
    first = person.opens()
    job = new_job(first, "MR-104")
    second = person.opens(f"job/enter?job={job}&run=1")
    # Different fields: both are kept.
    first.locator("[id='f-a.0.0']").fill("0.11")
    first.locator("[id='f-c.0.0']").fill("1:10")
    second.locator("[id='f-a.0.1']").fill("0.22")
    second.locator("[id='f-c.0.1']").fill("2:20")
    second.locator("[id='f-note']").fill("second tab")
    first.get_by_role("button", name="Keep this run").click()
    expect(first.locator("[data-kept]")).to_be_visible()
    # The first tab's success takes nothing from the second: not even if that is loaded again.
    second.reload()
    expect(second.locator("[data-status]")).to_contain_text("is back")
    assert typed_in(second).items() >= {"a.0.0": "0.11", "a.0.1": "0.22"}.items()
    second.get_by_role("button", name="Keep this run").click()
    expect(second.locator("[data-kept]")).to_be_visible()
    assert "second tab" in (second.text_content("main") or "")

    # The same field: the later one is told what stands there, and loses nothing typed.
    for page in (first, second):
        person.goes(page, f"job/enter?job={job}&run=1")
    first.locator("[id='f-a.0.1']").fill("0.33")
    second.locator("[id='f-a.0.1']").fill("0.44")
    first.get_by_role("button", name="Keep this run").click()
    expect(first.locator("[data-kept]")).to_be_visible()
    person.expects("status of 400")
    second.get_by_role("button", name="Keep this run").click()
    expect(second.locator("[id='w-a.0.1']")).to_have_text("entered meanwhile: 0.33")
    expect(second.locator("[id='f-a.0.1']")).to_have_value("0.44")
    second.reload()
    expect(second.locator("[id='w-a.0.1']")).to_have_text("entered meanwhile: 0.33")
    expect(second.locator("[id='f-a.0.1']")).to_have_value("0.44")
    second.get_by_role("button", name="Keep this run").click()
    expect(second.locator("[data-kept]")).to_be_visible()
    person.goes(first, f"job/enter?job={job}&run=1")
    assert typed_in(first)["a.0.1"] == "0.44"


def test_sending_twice_at_once_enters_once(person: Any) -> None:
    page = person.opens()
    new_job(page, "MR-105")
    page.locator("[id='f-a.0.1']").fill("0.42")
    page.locator("[id='f-c.0.1']").fill("7:05")
    page.locator("#entry button.main").dblclick()
    expect(page.locator("[data-kept]")).to_contain_text("Kept as change")
    page.get_by_text("Who entered what").click()
    assert page.get_by_role("row").filter(has_text="a run").count() == 1
