"""What a specialist sees and does: coefficients, suspect entries, published sets."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from books import DEMO, ONE_JOB, fresh, imported, to_write, written
from flask.testing import FlaskClient
from page_texts import OWN
from waited import slip, waited

import adapt
from adapt.coefficients.summary import summary_of
from adapt.logbook.documents import keep_rotor_file
from adapt.pages import tasks
from adapt.pages.application import Shop, make_app
from adapt.pages.fleet import Fleet
from adapt.pages.work import Works
from adapt.reports.learning.effect_cells import readable_amount

TAIL = {"design": "tail rotor"}
ROTORS = (
    "/rotors", "/rotors/coefficients", "/rotors/over-time", "/rotors/suspects", "/rotors/sets",
)  # fmt: skip
PREDICTIONS = (
    "/predictions", "/predictions/calibration", "/predictions/chart", "/predictions/runs",
)  # fmt: skip


class Outline(HTMLParser):
    """Reads what a page is built of: headings, cells of table heads, fields and labels."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.heads: list[dict[str, str | None]] = []
        self.fields: list[dict[str, str | None]] = []
        self.labels: set[str | None] = set()
        self.inside = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag == "th":
            self.heads.append(given)
        if tag == "label":
            self.labels.add(given.get("for"))
            self.inside += 1
        if tag in ("input", "select") and given.get("type") != "hidden":
            self.fields.append({**given, "in label": str(self.inside)})

    def handle_endtag(self, tag: str) -> None:
        if tag == "label":
            self.inside -= 1


@pytest.mark.parametrize("path", [*ROTORS, *PREDICTIONS])
def test_pages_have_headings_in_order_scopes_labels_state_and_cautions(
    reader: FlaskClient, reading_shop: Shop, path: str
) -> None:
    page = waited(reader, path, **TAIL)
    outline = Outline(page)
    assert outline.levels[0] == 1
    assert outline.levels.count(1) == 1
    steps = zip(outline.levels, outline.levels[1:], strict=False)
    assert all(after <= before + 1 for before, after in steps), outline.levels
    assert all(head.get("scope") for head in outline.heads)
    for field in outline.fields:
        assert field.get("id") in outline.labels or field["in label"] == "1" or field.get(
            "aria-label")  # fmt: skip
    assert "Rotating blades kill" in page
    assert "after change" in page
    assert "<script>" not in page
    assert "style=" not in page


def test_coefficients_of_a_rotor_stand_beside_the_type_as_they_were_learned(
    reader: FlaskClient, reading_shop: Shop
) -> None:
    page = waited(reader, "/rotors/coefficients", rotor="TR-302", **TAIL)
    state = reading_shop.fleet.state()
    rotor = state.rotors()["tail rotor"]
    learned = adapt.learn(rotor, state.history(rotor), chart=state.chart_of(rotor))
    row = summary_of(learned, rotor, only=("TR-302",)).iloc[0]
    per = readable_amount(learned, rotor.adjusters[0])
    assert f"{per * row['amplitude']:.3f} @" in page
    assert f"{per * row['low']:.3f}-{per * row['high']:.3f}" in page
    told = re.findall(r'<img src="(/picture/[^"]+)" alt="([^"]*)"', page)
    assert len(told) == len(rotor.sensors) * len(rotor.adjusters)
    assert "TR-302 0." in told[0][1]
    drawn = reader.get(told[0][0])
    assert drawn.mimetype == "image/svg+xml"


def test_names_that_are_not_there_are_told_in_words(reader: FlaskClient) -> None:
    for path, query, told in [
        ("/rotors", {"design": "nope"}, "expected one whose rotor file is kept"),
        ("/predictions", {"design": "nope"}, "expected one whose rotor file is kept"),
        ("/rotors/coefficients", {**TAIL, "rotor": "nope"}, "expected the serial of a rotor"),
        ("/rotors/coefficients", {**TAIL, "set": "nope"}, "expected a published set"),
        ("/rotors/set", {**TAIL, "set": "nope"}, "expected a published set"),
        ("/rotors/over-time", {**TAIL, "sensor": "nope"}, "sensor: found"),
    ]:
        answer = reader.get(path, query_string=query)
        page = answer.get_data(as_text=True)
        assert answer.status_code == 400, path
        assert told in page
        assert "Traceback" not in page


def choices(page: str) -> list[str]:
    return re.findall(r'name="decision" value="([^"]+)"', page)


def test_a_suspect_is_accepted_used_so_and_taken_back(client: FlaskClient, shop: Shop) -> None:
    slip(shop)
    page = waited(client, "/rotors/suspects", **TAIL)
    assert "+18 g of span weight on blade 1 was -18" in page
    assert "would move" in page
    assert choices(page) == ["accept 1", "accept 2", "keep", "exclude"]
    change = str(shop.fleet.state().change)
    number = re.search(r"on blade 1 was -18</th>.*?value=\"accept (\d)\"", page, re.DOTALL)
    assert number is not None
    form = {**TAIL, "job": "J-037", "run": "2", "change": change, "note": "asked the crew",
            "decision": f"accept {number[1]}"}  # fmt: skip
    assert client.post("/rotors/decide", data=form).status_code == 403  # of another site
    decided = client.post("/rotors/decide", data=form, headers=OWN)
    assert decided.status_code == 200
    assert "+18" in decided.get_data(as_text=True)
    state = shop.fleet.state()
    rotor = state.rotors()["tail rotor"]
    assert state.change == int(change) + 1
    moves = state.history(rotor, state.job("J-037").rotor).moves
    used = moves[(moves["job"] == "J-037") & (moves["after_run"] == "1")]
    assert used["amount"].tolist()[0] == -18.0
    # The same form again: somebody has decided meanwhile, and nothing is written.
    again = client.post("/rotors/decide", data=form, headers=OWN)
    assert again.status_code == 409
    assert "was made meanwhile" in again.get_data(as_text=True)
    page = waited(client, "/rotors/suspects", **TAIL)
    assert "No entry is suspect" in page
    assert "asked the crew" in page
    back = client.post("/rotors/take-back", data={**TAIL, "job": "J-037", "run": "2"}, headers=OWN)
    assert "taken back" in back.get_data(as_text=True)
    assert len(shop.fleet.state().history(rotor).reviews) == 0
    twice = client.post("/rotors/take-back", data={**TAIL, "job": "J-037", "run": "2"}, headers=OWN)
    assert twice.status_code == 409


@pytest.mark.parametrize(
    ("form", "told"),
    [
        ({"decision": ""}, "decision: found none of those offered"),
        ({"decision": "accept 99"}, "expected 1 to 2"),
        ({"decision": "accept 1", "amount 1": "5"}, "says how much"),
        ({"decision": "accept 1", "amount 1": "much"}, "expected an amount such as -40"),
        ({"decision": "keep", "run": "9"}, "found the run '9'"),
        ({"decision": "keep", "change": "999999"}, "change: found"),
        ({"decision": "keep", "change": "x"}, "change: found"),
    ],
)
def test_what_cannot_be_decided_is_told_and_nothing_is_written(
    client: FlaskClient, shop: Shop, form: dict[str, str], told: str
) -> None:
    slip(shop)
    waited(client, "/rotors/suspects", **TAIL)
    change = shop.fleet.state().change
    data = {**TAIL, "job": "J-037", "run": "2", "change": str(change), **form}
    answer = client.post("/rotors/decide", data=data, headers=OWN)
    assert answer.status_code in (400, 409)
    assert told in answer.get_data(as_text=True).replace("&#39;", "'")
    assert shop.fleet.state().change == change


def test_an_entry_left_out_or_kept_is_not_listed_again(client: FlaskClient, shop: Shop) -> None:
    slip(shop)
    waited(client, "/rotors/suspects", **TAIL)
    data = {**TAIL, "job": "J-037", "run": "2", "change": str(shop.fleet.state().change)}
    answer = client.post("/rotors/decide", data={**data, "decision": "exclude"}, headers=OWN)
    assert "Nothing is learned from the pair after run 1" in answer.get_data(as_text=True)
    rotor = shop.fleet.state().rotors()["tail rotor"]
    assert list(shop.fleet.state().history(rotor).reviews["decision"]) == ["exclude"]
    assert "No entry is suspect" in waited(client, "/rotors/suspects", **TAIL)


def test_a_set_is_published_shown_over_time_and_withdrawn(client: FlaskClient, shop: Shop) -> None:
    form = {**TAIL, "label": "2026-11", "note": "before the season"}
    assert client.post("/rotors/publish", data=form).status_code == 403
    for label in ("2026-11", "2026-12"):
        answer = client.post("/rotors/publish", data={**form, "label": label}, headers=OWN)
        assert answer.status_code == 302
        location = answer.headers["Location"]
        assert f"Published: {label}" in waited(client, location)
    state = shop.fleet.state()
    rotor = state.rotors()["tail rotor"]
    first, second = state.sets(rotor)
    assert (first.label, first.note, first.who) == ("2026-11", "before the season", "tester")
    taken = client.post("/rotors/publish", data=form, headers=OWN)
    assert taken.status_code == 409
    assert "Give the new one another name" in taken.get_data(as_text=True)
    bad = client.post("/rotors/publish", data={**form, "label": " "}, headers=OWN)
    assert bad.status_code == 400

    page = waited(client, "/rotors/over-time", adjuster="span weight", **TAIL)
    assert page.count("2026-12") >= 2 * len(rotor.regimes) - 1
    of_set = tasks.learn_all(shop.fleet.place, state.change, "tail rotor")
    row = summary_of(of_set, rotor, only=(None,)).iloc[0]
    assert f"{row['amplitude']:.3f} @" in page

    why = {**TAIL, "set": "2026-12", "why": ""}
    assert client.post("/rotors/withdraw", data=why, headers=OWN).status_code == 400
    why["why"] = "learned too early"
    assert client.post("/rotors/withdraw", data=why, headers=OWN).status_code == 302
    page = waited(client, "/rotors/sets", **TAIL)
    assert "learned too early" in page
    in_use = shop.fleet.state().set_in_use(rotor)
    assert in_use is not None
    assert in_use.label == "2026-11"
    assert "withdrawn" in waited(client, "/rotors/over-time", **TAIL)
    shown = waited(client, "/rotors/set", set="2026-12", **TAIL)
    assert "WITHDRAWN" in shown
    assert "Withdraw this set" not in shown
    assert second.withdrawn is None  # what was read before is of its own state


def test_pages_of_sets_are_there_for_a_rotor_of_which_a_set_knows_nothing(
    client: FlaskClient, shop: Shop
) -> None:
    answer = client.post("/rotors/publish", data={**TAIL, "label": "a"}, headers=OWN)
    waited(client, answer.headers["Location"])
    page = waited(client, "/rotors/coefficients", set="a", rotor="TR-302", **TAIL)
    assert "The set a, published" in page


def test_script_in_the_name_and_note_of_a_set_is_shown_and_never_run(
    client: FlaskClient, shop: Shop
) -> None:
    evil = "<script>alert(1)</script>\"'<img src=x onerror=alert(2)>"
    form = {**TAIL, "label": evil, "note": evil}
    answer = client.post("/rotors/publish", data=form, headers=OWN)
    pages = [waited(client, answer.headers["Location"])]
    pages += [waited(client, p, **TAIL) for p in ROTORS]
    pages.append(waited(client, "/rotors/set", set=evil, **TAIL))
    for page in pages:
        assert "<script>alert" not in page
        assert "<img src=x" not in page
    assert "&lt;script&gt;alert(1)" in pages[0]


FAN = """
[rotor]
name = "cooling fan"
blades = {blades}
rpm = 5200.0

[[sensors]]
name = "duct"
unit = "ips"

[[regimes]]
name = "ground"

[[adjusters]]
name = "balance screw"
unit = "g"
step = 0.5
fitted_range = [0.0, 20.0]

[[limits]]
sensor = "duct"
limit = 0.2
"""


def over(place: Path, works: Works) -> FlaskClient:
    return make_app(Shop(Fleet(str(place)), "tester", works), ("localhost",)).test_client()


def test_an_empty_logbook_says_what_to_do(tmp_path: Path, works: Works) -> None:
    fresh(str(tmp_path / "x.logbook"))
    client = over(tmp_path / "x.logbook", works)
    for path in (*ROTORS, *PREDICTIONS):
        assert "No rotor file is kept" in waited(client, path)
    for path in ("/rotors/decide", "/rotors/take-back", "/rotors/publish", "/rotors/withdraw"):
        assert client.post(path, headers=OWN).status_code == 400


def test_a_design_without_runs_reads_well(tmp_path: Path, works: Works) -> None:
    book = fresh(str(tmp_path / "x.logbook"))
    keep_rotor_file(book, DEMO / "main-rotor.toml", "tester")
    client = over(tmp_path / "x.logbook", works)
    for path in (*ROTORS, *PREDICTIONS):
        page = waited(client, path)
        assert "Traceback" not in page
        assert "ended without an answer" not in page
    assert "No rotor of this design has a job yet" in waited(client, "/rotors")
    assert "holds no runs" in waited(client, "/predictions")


@pytest.mark.parametrize("blades", ['["1"]', '["1", "2", "3"]'])
def test_a_fan_without_track_and_even_of_one_blade_reads_well(
    tmp_path: Path, works: Works, blades: str
) -> None:
    toml = tmp_path / "fan.toml"
    toml.write_text(FAN.format(blades=blades))
    book = fresh(str(tmp_path / "x.logbook"))
    keep_rotor_file(book, toml, "tester")
    rows = {
        "runs": [ONE_JOB["runs"][0], *(("F-1", job, run, f"2026-0{job[2]}-01T0{run}:00",
                                        "cooling fan") for job in ("J-1", "J-2") for run in "123")],
        "readings": [ONE_JOB["readings"][0], ("J-1", "1", "ground", "duct", "0.30", "4:20"),
                     ("J-1", "2", "ground", "duct", "0.10", "10:15"),
                     ("J-1", "3", "ground", "duct", "0.12", "10:00"),
                     ("J-2", "1", "ground", "duct", "0.31", "4:10"),
                     ("J-2", "2", "ground", "duct", "0.11", "9:45"),
                     ("J-2", "3", "ground", "duct", "0.12", "9:50")],
        "moves": [ONE_JOB["moves"][0], ("J-1", "1", "1", "balance screw", "4"),
                  ("J-2", "1", "1", "balance screw", "4")],
    }  # fmt: skip
    taken = imported(
        to_write(str(tmp_path / "x.logbook")), written(tmp_path / "log", rows),
        rotors=[adapt.read_rotor(toml)],
    )  # fmt: skip
    assert taken.change is not None
    client = over(tmp_path / "x.logbook", works)
    for path in (*ROTORS, *PREDICTIONS):
        page = waited(client, path)
        assert "ended without an answer" not in page, path
    assert "No chart is kept for this design" in waited(client, "/rotors")
    page = waited(client, "/rotors/coefficients", rotor="F-1")
    assert "F-1" in page
    page = waited(client, "/predictions/run", job="J-2", run="2")
    assert "Moves between run 1 and run 2: balance screw on blade 1 +4 g" in page
    assert "0.110 @ 9:45" in " ".join(page.split())
    assert "Track" not in page
    assert "Nothing was moved before this run" in waited(
        client, "/predictions/run", job="J-2", run="3"
    )
