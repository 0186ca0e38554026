"""What people and spreadsheets put into the entry form: kept as meant, or told at its field."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from page_texts import OWN

from adapt.pages.application import Shop

JOB, RUN = "J-056", "5"
HEADERS = {**OWN, "Accept": "application/json"}
READING = {"a.0.1": "0.30", "c.0.1": "4:30"}


def told(client: FlaskClient, **fields: str) -> Any:
    """Return what is said of a form, of which nothing is kept."""
    given = {"job": JOB, "run": RUN, "form": "run", "was": "{}", **fields}
    answer = client.post("/job/look-through", data=given, headers=HEADERS)
    assert answer.status_code == 200
    return json.loads(answer.data)


NO_NUMBERS = (
    "0,30 ips", "0.3.1", "-0.3", "\u22120.3", "1e400", "nan", "inf", "0x10", "1_0", "１.５", "٣",
    "🚁", "½", "0.3\x00", "1.234,5", "1'000", "9" * 490, "0.3;DROP TABLE runs", "<b>0.3</b>",
    "=1+1", "\u200b0.3", "0. 3",
)  # fmt: skip


def told_of_all(client: FlaskClient, part: str, beside: dict[str, str], texts: Any) -> Any:
    """Yield texts, put into fields of a part of a reading each, and what is said at its field."""
    places = [f"{s}.{r}" for s in range(3) for r in range(6)]
    for begin in range(0, len(texts), len(places)):
        given = dict(zip((f"{part}.{p}" for p in places), texts[begin:], strict=False))
        more = {f"{k}{name[1:]}": v for name in given for k, v in beside.items()}
        found = told(client, **more, **given)
        assert not found["kept"]
        assert set(found["wrong"]) == set(given)
        yield from ((text, found["wrong"][name]) for name, text in given.items())


def test_what_is_no_amplitude_is_told_at_its_field(client: FlaskClient) -> None:
    found = dict(told_of_all(client, "a", {"c": "4:30"}, NO_NUMBERS))
    assert set(found) == set(NO_NUMBERS)
    for text, words in found.items():
        assert "expected a number of at least 0" in words, text


NO_ANGLES = (
    "13:75", "4:60", "4:3", "24:00", "13:00", "-1:00", "4:30 pm", "4h30", "4：30", "4.30", "430",
    "135", "1e2°", "°", "🕟", "4:3O", "4 :30", "nan°", "٤:٣٠", "9999:00",
)  # fmt: skip


def test_what_is_no_angle_is_told_at_its_field(client: FlaskClient) -> None:
    found = dict(told_of_all(client, "c", {"a": "0.30"}, NO_ANGLES))
    assert set(found) == set(NO_ANGLES)
    for text, words in found.items():
        assert "expected a clock angle" in words, text


@pytest.mark.parametrize(
    ("amplitude", "angle", "angles", "height"),
    [
        ("0,30", "4:30", "clock", "-7"),
        (" .3\t", "04:30", "clock", "\u22127"),
        ("+0.3", "135°", "clock", "-7,0"),
        ("0.300", "135 deg", "clock", "-7.0"),
        ("0.3", "135", "degrees", "-7"),
        ("0.3", "-225,0", "degrees", "-7"),
        ("0.3", "495°", "clock", "-7"),
    ],
)  # fmt: skip
def test_what_is_meant_is_kept(
    shop: Shop, client: FlaskClient, amplitude: str, angle: str, angles: str, height: str
) -> None:
    given = {"a.0.1": amplitude, "c.0.1": angle, "angles": angles, "h.1.0": height}
    given |= {f"h.1.{b}": "1" for b in range(1, 5)}
    answer = client.post(
        "/job/enter", data={"job": JOB, "run": RUN, "was": "{}", **given}, headers=HEADERS
    )
    assert answer.status_code == 200, answer.data
    page = client.get(f"/job?job={JOB}").get_data(as_text=True)
    assert "0.300 @ 4:30" in page or "0.30 @ 4:30" in page
    shown = client.get(f"/job/enter?job={JOB}&run={RUN}").get_data(as_text=True)
    assert f'value="{height.strip().replace(chr(0x2212), "-").replace(",", ".")}"' in shown


def test_an_empty_run_and_a_run_of_no_name_are_not_kept(shop: Shop, client: FlaskClient) -> None:
    before = shop.fleet.state().change
    for fields, at, words in (
        ({}, "a.0.0", "at least one"),
        ({"note": "nothing was read"}, "a.0.0", "at least one"),
        ({"a.0.1": "0.3"}, "c.0.1", "the angle that goes with the amplitude"),
        ({"c.0.1": "4:30"}, "a.0.1", "the amplitude that goes with the angle"),
        ({**READING, "run": "5\n6"}, "started", "the run's name"),
        ({**READING, "run": "x" * 300}, "started", "the run's name"),
        ({**READING, "started": "yesterday"}, "started", "expected a date and time"),
        ({**READING, "gross_weight": "2,670"}, "gross_weight", "two numbers to two readers"),
    ):
        given = {"job": JOB, "run": RUN, "was": "{}", **fields}
        answer = client.post("/job/enter", data=given, headers=HEADERS)
        assert answer.status_code == 400, fields
        assert words in json.loads(answer.data)["wrong"][at]
    assert shop.fleet.state().change == before


def test_emoji_and_scripts_in_a_note_stay_text(client: FlaskClient) -> None:
    note = "🚁 vibrates at 90 kt <b>hard</b> & 'loud' =1+1 \u202etxt"
    given = {"job": JOB, "run": RUN, "was": "{}", **READING, "note": note}
    assert client.post("/job/enter", data=given, headers=HEADERS).status_code == 200
    page = client.get(f"/job/enter?job={JOB}&run={RUN}").get_data(as_text=True)
    assert "🚁 vibrates at 90 kt &lt;b&gt;hard&lt;/b&gt; &amp; &#39;loud&#39; =1+1" in page


def test_unlikely_moves_are_told_and_kept_and_no_numbers_refused(client: FlaskClient) -> None:
    said = told(client, form="moves", run="4", **{"m.0.0": "15"})
    assert said["kept"]
    assert "whole number of steps of 20" in said["doubts"]["m.0.0"]
    said = told(client, form="moves", run="4", **{"m.0.0": "\u2212240", "m.2.1": "1e3"})
    assert set(said["doubts"]) == {"m.2.1"}
    texts = dict(zip(("m.0.0", "m.0.1", "m.0.2", "m.1.0", "m.2.0"),
                     ("20g", "nan", "abc", "1_0", "🚁"), strict=True))  # fmt: skip
    said = told(client, form="moves", run="4", **texts)
    assert not said["kept"]
    assert set(said["wrong"]) == set(texts)
    assert all("expected a number" in words for words in said["wrong"].values())
