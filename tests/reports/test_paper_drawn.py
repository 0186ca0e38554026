"""The drawn chart: its size, bytes, words and marks, as a reader of the file finds them."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from paper_case import LINK, WEIGHT, Case, case

from adapt.balancing.paper.page import Page
from adapt.problems import AdaptError, BadInput
from adapt.reports.balancing import paper_page
from adapt.reports.balancing.paper_document import paper_document, paper_report
from adapt.reports.balancing.paper_page import drawn, write_page
from adapt.reports.balancing.paper_words import Words, words_of
from adapt.rotor import Adjuster, Limit, Regime, Sensor

MADE = "2026-03-01"
FREE = Adjuster("chord weight", "g", 5.0, (0.0, 100.0))


def words(made: Case, page: Page) -> Words:
    return words_of(page, made.rotor, made.coefficients, MADE)


def said(told: Words) -> str:
    parts = told.parts
    return "\n".join(
        [told.title, *told.under, *told.solid, *told.dashed, *told.ring, *told.clock,
         *told.cautions, *told.sign, *(p.heading for p in parts),
         *(" ".join(p.sentences) for p in parts), *(" | ".join(r) for p in parts for r in p.rows)]
    )  # fmt: skip


def long_names() -> Case:
    """Return a rotor whose every name is as long as people make them, one with strange letters."""
    made = case([3.0 + 1j], [0.2], blades=3, phase="lead", order=2, limit=12.0, reading=9.0j)
    sensor = "bearing hanger number three of five, vertical, aft of the coupling 軸"
    regime = "ground run at full speed, pitch flat, doors shut, nobody on board"
    adjuster = "balance washer under the nut of the coupling"
    rotor = replace(
        made.rotor,
        name="cooling fan of the main gearbox oil cooler, upper deck",
        blades=tuple(f"station number {k} of three, counted from the keyway" for k in "123"),
        sensors=(Sensor(sensor, "mm/s", phase="lead", order=2),),
        regimes=(Regime(regime, rpm=4210.5),),
        adjusters=(Adjuster(adjuster, "washers of 0.125 oz", 0.125, (0.0, 4.0),
                            "add washers of the small size, no more than four at one bolt"),),
        limits=(Limit(sensor, 12.0),),
    )  # fmt: skip
    serial = "SN-0123456789-ABCDEFGHIJKLMNOPQRSTUVWXYZ-0001"
    known = replace(
        made.coefficients, design=rotor.name, channels=rotor.channels,
        regimes=rotor.regime_names, adjusters=rotor.adjuster_names,
        rotors={serial: made.coefficients.unseen},
    )  # fmt: skip
    readings = made.history.readings.assign(sensor=sensor, regime=regime)
    return Case(rotor, known, replace(made.history, readings=readings))


CASES = {
    "square": lambda: case([0.0012], [0.00005]),
    "oblique": lambda: case([0.01, 0.05j], adjusters=(FREE, LINK), blades=2),
    "no limit": lambda: case([0.001], blades=3, limit=None),
    "long names": long_names,
}


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", CASES)
def test_no_words_overlap_others_or_leave_the_sheet(name: str, paper: str) -> None:
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    made = CASES[name]()
    page = made.page(paper=paper)
    with mpl.rc_context({"text.hinting": "no_hinting", "font.family": "DejaVu Sans"}):
        figure = paper_page._figure(page, words(made, page))
        figure.set_dpi(25.4)  # one dot a millimetre
        renderer = FigureCanvasAgg(figure).get_renderer()
        texts = [t for t in figure.axes[0].texts if t.get_text().strip()]
        boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts]
    assert len(boxes) > 60
    for text, box in boxes:
        # A dot is rounding of the renderer's.
        assert box.x0 >= 9.0, text
        assert box.y0 >= 9.0, text
        assert box.x1 <= page.width - 9.0, text
        assert box.y1 <= page.height - 9.0, text
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        up = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across < 1.0 or up < 1.0, (one, other)


@pytest.mark.parametrize("kind", ["pdf", "svg"])
def test_the_same_chart_gives_the_same_bytes_whatever_the_library_is_set_to(kind: str) -> None:
    import matplotlib as mpl

    made = case([0.0012], [0.00005])
    page = made.page()
    first = drawn(page, words(made, page), kind)
    with mpl.rc_context({"svg.hashsalt": None, "lines.linewidth": 9.0, "font.size": 20.0,
                         "figure.dpi": 33.0, "savefig.bbox": "tight"}):  # fmt: skip
        assert drawn(page, words(made, page), kind) == first
        assert mpl.rcParams["font.size"] == 20.0
    assert MADE.encode() not in re.sub(rb"<!--.*?-->", b"", first)  # no time stamp beside the words


@pytest.mark.parametrize(("paper", "points"), [("a4", (595.276, 841.890)), ("letter", (612, 792))])
def test_a_sheet_has_the_size_of_its_paper(paper: str, points: tuple[float, float]) -> None:
    made = case([0.0012])
    page = made.page(paper=paper)
    pdf = drawn(page, words(made, page), "pdf")
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf)
    assert len(boxes) == 1  # one page
    assert [float(v) for v in boxes[0]] == pytest.approx(points, abs=0.01)
    root = ET.fromstring(drawn(page, words(made, page), "svg"))
    assert [float(root.get(k, "").removesuffix("pt")) for k in ("width", "height")] == (
        pytest.approx(points, abs=0.01)
    )


def test_every_label_says_the_amount_of_the_line_it_belongs_to() -> None:
    made = case([0.0012, 0.01j], adjusters=(WEIGHT, FREE), blades=2)
    page = made.page()
    svg = drawn(page, words(made, page), "svg").decode()
    lines = set(re.findall(r'<g id="line-([12])-(-?[\d.]+)">', svg))
    # In this form of SVG letters are outlines; the words stand in a comment before them.
    labels = re.findall(r'<g id="label-([12])-(-?[\d.]+)-[ab]">\s*<!-- (\S+) -->', svg)
    assert len(labels) > 15
    for axis, amount, text in labels:
        assert (axis, amount) in lines
        assert float(text.replace("−", "-")) == float(amount)
        assert text.startswith(("+", "−")) or text == "0"


def test_the_two_families_differ_in_black_and_white() -> None:
    made = case([0.0012])
    page = made.page()
    svg = drawn(page, words(made, page), "svg").decode()
    style = dict(re.findall(r'<g id="(line-[12]-0|line-1-20|limit|ring-0.1)">\s*<path [^>]*style="'
                            r'([^"]*)"', svg))  # fmt: skip
    assert "dasharray" not in style["line-1-0"]
    assert "dasharray" in style["line-2-0"]
    assert "dasharray" in style["ring-0.1"]
    widths = {k: float(re.search(r"stroke-width: ([\d.]+)", v)[1]) for k, v in style.items()}  # type: ignore[index]
    assert widths["limit"] > 2 * widths["line-1-0"] > 2 * widths["line-1-20"]


def test_a_file_is_written_by_its_suffix_and_another_suffix_is_refused(tmp_path: Path) -> None:
    made = case([0.0012])
    page = made.page()
    told = words(made, page)
    write_page(page, told, tmp_path / "a.PDF")
    assert (tmp_path / "a.PDF").read_bytes().startswith(b"%PDF")
    write_page(page, told, tmp_path / "a.svg")
    assert b"<svg" in (tmp_path / "a.svg").read_bytes()
    with pytest.raises(BadInput, match=r"\.pdf or \.svg"):
        write_page(page, told, tmp_path / "a.png")
    with pytest.raises(AdaptError, match="cannot be written"):
        write_page(page, told, tmp_path / "nowhere" / "a.pdf")


def test_the_words_say_whose_chart_it_is_what_it_rests_on_and_until_when() -> None:
    made = case([0.0012], [0.00005])
    made = replace(made, coefficients=replace(
        made.coefficients, rotors={"R-7": made.coefficients.unseen},
        references=({"rotor": "R-7", "sensor": None, "job": "J-1", "after_run": "3"},),
    ))  # fmt: skip
    from adapt.balancing.paper.page import page_of

    page = page_of(made.rotor, made.coefficients, made.history, made.axes(serial="R-7"))
    told = said(words(made, page))
    for text in (
        "main rotor, R-7", "cabin lateral in hover, ips peak, at 392 rpm. Drawn 2026-03-01.",
        "limit 0.2 ips", "peak after the reference", "hub weight on blade B",
        "Valid for R-7 alone", "After any event", "moved, run 3 of J-1",
        "Minus on blade A is, for this reading, the same as plus that amount on blade C",
        "Rotating blades kill", "Signature", "0.12 @ 12:00", "0.12 @ 3:00",
    ):  # fmt: skip
        assert text in told
    # sd 0.00005 of 0.0012, 1.96 sds in per cent and, by the arc sine, in degrees: rounded up.
    assert "±9 %, ±5 deg" in told
    type_ = said(words(made, made.page()))
    assert "any rotor of the type" in type_
    assert "R-7" not in type_


def test_a_lead_sensor_and_an_order_are_told_in_words() -> None:
    made = case([0.0012], phase="lead", order=2, blades=3)
    page = made.page()
    told = said(words(made, page))
    assert "peak before the reference" in told
    assert "12 hours are 1/2 turn" in told
    assert ", order 2," in told
    # Order 2: blade B, 120 deg later, lags by 240 deg of its order, so it leads by 120: 4:00.
    assert "0.12 @ 4:00" in told


def test_a_rotor_whose_answer_changed_is_to_be_inspected_before_all_else() -> None:
    found = {
        "rotor": "R-7", "test": "answer changed", "since_job": "J-9", "since_run": "2",
        "how": "weaker", "factor": 0.62, "factor_low": 0.55, "factor_high": 0.69,
        "angle_deg": 1.0, "angle_low": -5.0, "angle_high": 7.0, "sensor": None, "adjuster": None,
        "blade": None, "could_be": [], "held_back": 0, "p_value": 1e-4, "false_alarm_rate": 0.05,
    }  # fmt: skip
    made = case([0.0012])
    made = replace(made, coefficients=replace(
        made.coefficients, rotors={"R-7": made.coefficients.unseen}, health=(found,)
    ))  # fmt: skip
    from adapt.balancing.paper.page import page_of

    page = page_of(made.rotor, made.coefficients, made.history, made.axes(serial="R-7"))
    first = words(made, page).parts[0]
    assert first.urgent
    assert "its answer is weaker" in first.sentences[0]
    assert not words(made, made.page()).parts[0].urgent


def test_a_pitch_link_is_not_said_to_be_the_same_on_another_blade() -> None:
    made = case([0.05], adjusters=(LINK,))
    made = replace(made, rotor=replace(made.rotor, track_unit="mm"))
    told = said(words(made, made.page()))
    assert "the same as plus" not in told
    assert "moves the track" in told
    assert "blade flies lower" in told


def test_more_than_one_move_may_be_is_said_on_paper_and_on_the_screen() -> None:
    made = case([0.001])
    page = made.page(example=(0.3, 200.0))
    assert "More than one move may be" in said(words(made, page))
    report = str(paper_report(page, made.rotor, "x.pdf"))
    assert "More than one move may be" in report


def test_the_document_holds_the_numbers_of_the_page_in_both_conventions() -> None:
    made = case([0.001 * 1j], [0.00005], phase="lead")
    page = made.page(example=(0.1, 90.0))
    document = paper_document(page, made.rotor, "x.pdf", MADE)
    first, second = document["axes"]
    # A lag of 90 deg is a lead of 270; blade B lags 90 deg more: 180 either way.
    assert first["effect"]["phase_deg"] == pytest.approx(270.0)
    assert first["effect"]["imag"] == pytest.approx(0.001)
    assert second["effect"]["phase_deg"] == pytest.approx(180.0)
    assert second["effect"]["real"] == pytest.approx(-0.001)
    assert first["effect"]["sd"] == pytest.approx(0.00005)
    assert document["example"]["reading"]["imag"] == pytest.approx(-0.1)
    # The reading lags 270 deg: 100 g on A, which lags 90, takes it away.
    assert (first["amount"], second["amount"]) == (100.0, 0.0)
    assert document["example"]["left"]["amplitude"] == pytest.approx(0.0, abs=1e-12)
    assert first["line_every"] == 20.0 * round(first["line_every"] / 20.0) > 0
