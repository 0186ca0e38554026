"""What an analyst sees: errors, calibration, the chart put right, single runs."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient
from page_texts import OWN
from waited import slip, waited

import adapt
from adapt.chart import read_chart
from adapt.outcomes import corrected_chart
from adapt.pages.application import Shop

TAIL = {"design": "tail rotor"}


@pytest.fixture(scope="module")
def compared(reading_shop: Shop):
    """The comparison that the pages show, made here again."""
    state = reading_shop.fleet.state()
    rotor = state.rotors()["tail rotor"]
    return rotor, adapt.compare(rotor, state.history(rotor), state.chart_of(rotor))


def test_errors_are_those_of_the_comparison(reader: FlaskClient, compared) -> None:
    rotor, outcome = compared
    page = waited(reader, "/predictions", **TAIL)
    assert f"{outcome.runs} runs of {outcome.jobs} jobs" in page
    rows = outcome.summary
    over_all = rows[(rows["method"] == "learned") & rows["regime"].isna()]
    for row in over_all.to_dict("records"):
        name = f"{row['sensor']} [{rotor.sensor(row['sensor']).unit}]"
        cells = re.search(rf'scope="row">{re.escape(name)}</th>(.*?)</tr>', page, re.DOTALL)
        assert cells is not None
        assert f">{row['rms_error']:.3f}<" in cells[1]
    pictures = re.findall(r'src="(/picture/[^"]+)"', page)
    assert pictures
    assert reader.get(pictures[0]).status_code == 200


def test_the_corrected_chart_is_downloaded_as_a_chart_that_can_be_read(
    reader: FlaskClient, compared, tmp_path
) -> None:
    rotor, outcome = compared
    waited(reader, "/predictions/chart", **TAIL)
    answer = reader.get("/predictions/chart.csv", query_string=TAIL)
    assert answer.mimetype == "text/csv"
    assert "attachment" in answer.headers["Content-Disposition"]
    file = tmp_path / "chart.csv"
    file.write_bytes(answer.data)
    chart, wanted = read_chart(file, rotor), corrected_chart(outcome.learned)
    assert abs(chart.mean - wanted.mean).max() < 1e-5 * abs(wanted.mean).max()


def test_a_single_run_shows_each_reading_as_foretold_and_as_read(
    reader: FlaskClient, compared
) -> None:
    rotor, outcome = compared
    frame = outcome.predictions
    row = frame[(frame["method"] == "learned") & frame["moved"]].iloc[-1]
    listed = waited(reader, "/predictions/runs", rotor=row["rotor"], **TAIL)
    assert f"job {row['job']}, run {row['run']}</a>" in listed
    page = waited(reader, "/predictions/run", job=row["job"], run=row["run"], **TAIL)
    for value in (row["before"], row["predicted"], row["read"]):
        assert f"{abs(value):.3f} @" in page
    assert f">{row['error']:.3f}<" in page
    faces = re.findall(r'src="/picture/[^"]+" alt="([^"]*)"', page)
    assert len(faces) == len(rotor.sensors)
    assert "learned" in faces[0]
    assert adapt.__version__ in page


def test_a_run_after_a_suspect_entry_says_so(client: FlaskClient, shop: Shop) -> None:
    slip(shop)
    page = waited(client, "/predictions/run", job="J-037", run="2", **TAIL)
    assert "What was entered between these two runs is suspect" in page


@pytest.mark.parametrize(
    ("path", "query", "told"),
    [
        ("/predictions/run", {"job": "nope", "run": "2"}, "expected a job of the logbook"),
        ("/predictions/run", {"job": "J-037", "run": "1"}, "that could be predicted: 2"),
        ("/predictions/runs", {"rotor": "nope"}, "expected one with a run"),
    ],
)
def test_what_is_not_there_is_told_in_words(
    reader: FlaskClient, path: str, query: dict[str, str], told: str
) -> None:
    waited(reader, "/predictions", **TAIL)
    answer = reader.get(path, query_string={**TAIL, **query})
    assert answer.status_code == 400
    assert told in answer.get_data(as_text=True)


def test_work_that_is_given_up_leads_to_a_page_that_does_not_begin_it_again(
    client: FlaskClient,
) -> None:
    page = client.get("/predictions", query_string={"design": "main rotor"}).get_data(as_text=True)
    name = re.search(r'name="name" value="([0-9a-f]+)"', page)
    back = re.findall(r'name="back" value="([^"]+)"', page)[-1]
    assert name is not None
    form = {"name": name[1], "back": back.replace("&amp;", "&")}
    answer = client.post("/work/give-up", data=form, headers=OWN)
    assert answer.status_code == 302
    shown = client.get(answer.headers["Location"]).get_data(as_text=True)
    assert "Compare now" in shown
    assert "data-waiting" not in shown
