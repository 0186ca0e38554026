"""What a technician enters: as people type it, told at its field, and nothing of anybody lost."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from flask.testing import FlaskClient
from page_texts import OWN

from adapt.database.states import tables_in_force
from adapt.logbook.entering import EnteredRow, enter
from adapt.pages.application import Shop
from adapt.rotor import Rotor

JSON = {**OWN, "Accept": "application/json"}
RUN = {"job": "J-058", "run": "2", "form": "run", "started": "2026-11-25T09:30"}


def rows(shop: Shop, name: str, run: str = "2", job: str = "J-058") -> list[dict[str, str]]:
    """Return the rows of a run that are in force."""
    state = shop.fleet.state()
    with state.book.reading() as connection:
        table = tables_in_force(state.book, connection, state.change)[name]
    key = "after_run" if name == "moves" else "run"
    columns = {c: table.text(c) for c in table.columns}
    return [
        {c: str(t[k]) for c, t in columns.items() if t[k]}
        for k in range(len(table))
        if columns["job"][k] == job and columns[key][k] == run
    ]


def rotor_of(shop: Shop) -> Rotor:
    return shop.fleet.state().rotors()["main rotor"]


def sent(client: FlaskClient, path: str, **data: str) -> tuple[int, dict[str, Any]]:
    answer = client.post(path, data={"was": "{}", **data}, headers=JSON)
    return answer.status_code, json.loads(answer.data)


def fields(**named: str) -> dict[str, str]:
    """Return fields by their names, where a dot is written as two underscores."""
    return {name.replace("__", "."): text for name, text in named.items()}


def test_a_run_is_entered_as_people_type(shop: Shop, client: FlaskClient) -> None:
    typed = fields(
        a__0__1="0,25", c__0__1="4:30", a__1__1="0.10", c__1__1="135,5°", a__2__1=" .3 ",
        c__2__1="90 deg", h__1__0="+2,5", h__1__1="\u22122", h__1__2="0", h__1__3="1", h__1__4="-1",
        wind_kt="7", gross_weight="2780", note="rain",
    )  # fmt: skip
    status, told = sent(client, "/job/enter", **RUN, **typed)
    assert (status, told["wrong"], told["kept"]) == (200, {}, True)
    assert {
        (r["sensor"], r["amplitude"], r.get("clock"), r.get("phase_deg"))
        for r in rows(shop, "readings")
    } == {
        ("cabin lateral", "0.25", "4:30", None), ("cabin vertical", "0.10", None, "135.5"),
        ("cockpit vertical", ".3", None, "90"),
    }  # fmt: skip
    assert {(r["blade"], r["height"]) for r in rows(shop, "track")} == {
        ("red", "+2.5"), ("blue", "-2"), ("green", "0"), ("yellow", "1"), ("white", "-1")
    }  # fmt: skip
    (run,) = rows(shop, "runs")
    assert (run["rotor"], run["aircraft"], run["wind_kt"], run["note"]) == (
        "MR-107", "OV-TG", "7", "rain",
    )  # fmt: skip
    # Sent again, as a browser does that did not hear the answer: nothing is added.
    status, told = sent(client, "/job/enter", **RUN, **typed)
    assert (status, told["change"]) == (200, None)


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"a.0.1": "0,25"}, "c.0.1", "expected the angle"),
        ({"c.0.1": "4:30"}, "a.0.1", "expected the amplitude"),
        ({"a.0.1": "0.25", "c.0.1": "430"}, "c.0.1", "expected a clock angle such as 4:30"),
        ({"a.0.1": "0.25", "c.0.1": "13:75"}, "c.0.1", "found '13:75'; expected a clock angle"),
        ({"a.0.1": "x", "c.0.1": "4:30"}, "a.0.1", "found 'x'"),
        ({"a.0.1": "-1", "c.0.1": "4:30"}, "a.0.1", "found '-1'"),
        ({"h.1.0": "two"}, "h.1.0", "found 'two'"),
        ({"gross_weight": "2,780"}, "gross_weight", "two numbers to two readers"),
        ({"wind_kt": "calm"}, "wind_kt", "found 'calm'"),
        ({"started": "yesterday"}, "started", "found 'yesterday'"),
    ],
)
def test_a_mistake_is_told_at_its_field_and_nothing_is_kept(
    shop: Shop, client: FlaskClient, typed: dict[str, str], field: str, said: str
) -> None:
    before = shop.fleet.state().change
    # Looking through is an answer, whatever it finds; entering is refused.
    for path, expected in (("/job/look-through", 200), ("/job/enter", 400)):
        status, told = sent(client, path, **{**RUN, "a.0.2": "0.1", "c.0.2": "1:00", **typed})
        assert status == expected
        assert list(told["wrong"]) == [field]
        assert said in told["wrong"][field]
    assert shop.fleet.state().change == before
    page = client.post(
        "/job/enter",
        data={"was": "{}", **RUN, "a.0.2": "0.1", "c.0.2": "1:00", **typed},
        headers=OWN,
    )
    text = page.get_data(as_text=True)
    assert page.status_code == 400
    marked = re.search(rf'<input id="f-{re.escape(field)}"[^>]*>', text)
    assert marked is not None
    assert 'aria-invalid="true"' in marked[0]
    # What was typed stands there still.
    for name, value in typed.items():
        shown = re.search(rf'<input id="f-{re.escape(name)}"[^>]* value="([^"]*)"', text)
        assert shown is not None
        assert shown[1] in (value, value[:16])


def test_degrees_without_a_sign_are_taken_where_the_form_says_so(
    shop: Shop, client: FlaskClient
) -> None:
    typed = fields(a__0__1="0.25", c__0__1="135", angles="degrees")
    assert sent(client, "/job/enter", **RUN, **typed)[0] == 200
    assert rows(shop, "readings")[0]["phase_deg"] == "135"


def test_the_form_shows_what_stands_and_puts_it_right(shop: Shop, client: FlaskClient) -> None:
    page = client.get("/job/enter?job=J-058&run=1").get_data(as_text=True)
    was = json.loads(html_of(page, "was"))
    before = rows(shop, "readings", "1")
    assert len([f for f in was if f.startswith("a.")]) == len(before)
    typed = {**was, "a.0.0": "0.21", "note": "read again"}
    data = {"job": "J-058", "run": "1", "form": "run", **typed, "was": json.dumps(was)}
    status, told = sent(client, "/job/enter", **data)
    assert status == 200, told
    after = rows(shop, "readings", "1")
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [(a["amplitude"], b["amplitude"]) for a, b in changed] == [("0.20", "0.21")] or [
        (float(a["amplitude"]), float(b["amplitude"])) for a, b in changed
    ] == [(0.2, 0.21)]
    assert rows(shop, "runs", "1")[0]["note"] == "read again"


def html_of(page: str, name: str) -> str:
    import html

    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    assert found is not None
    return html.unescape(found[1])


def test_what_another_entered_meanwhile_is_told_and_kept(shop: Shop, client: FlaskClient) -> None:
    key = {"job": "J-058", "run": "1", "regime": "flat pitch", "sensor": "cabin lateral"}
    was = json.loads(
        html_of(client.get("/job/enter?job=J-058&run=1").get_data(as_text=True), "was")
    )
    theirs = enter(
        shop.fleet.to_write(),
        [EnteredRow("readings", key, {"amplitude": "0.22"},
                    {"amplitude": was["a.0.0"], "clock": was["c.0.0"]})],
        "another", rotors=[rotor_of(shop)],
    )  # fmt: skip
    assert theirs.corrected == 1
    data = {"job": "J-058", "run": "1", "form": "run", **was, "a.0.0": "0.19",
            "was": json.dumps(was)}  # fmt: skip
    status, told = sent(client, "/job/enter", **data)
    assert status == 400
    assert told["theirs"]["a.0.0"] == "0.22"
    page = client.post("/job/enter", data=data, headers=OWN).get_data(as_text=True)
    assert "entered meanwhile: 0.22" in page
    assert "somebody else has entered something else meanwhile" in page


def test_moves_are_entered_put_right_and_taken_out(shop: Shop, client: FlaskClient) -> None:
    data = {"job": "J-058", "run": "1", "form": "moves"}
    status, _ = sent(client, "/job/moves", **data, **{"m.0.0": "+240", "m.2.2": "6", "m.2.3": "0"})
    assert status == 200
    made = {(r["adjuster"], r["blade"]): r["amount"] for r in rows(shop, "moves", "1")}
    assert made == {("hub weight", "red"): "+240", ("pitch link", "green"): "6"}
    was = {"m.0.0": "+240", "m.2.2": "6"}
    status, _ = sent(
        client, "/job/moves", **{**data, "was": json.dumps(was)}, **{"m.0.0": "220", "m.2.2": ""}
    )
    assert status == 200
    made = {(r["adjuster"], r["blade"]): r["amount"] for r in rows(shop, "moves", "1")}
    assert made == {("hub weight", "red"): "220"}


def test_an_unlikely_move_is_told_and_kept(client: FlaskClient) -> None:
    data = {"job": "J-058", "run": "1", "form": "moves", "m.0.0": "250"}
    status, told = sent(client, "/job/moves", **data)
    assert status == 200
    assert "m.0.0" in told["doubts"]


def test_events_are_entered(shop: Shop, client: FlaskClient) -> None:
    data = {"job": "J-058", "run": "1", "kind": "sensor moved", "was": "{}"}
    wrong = client.post("/job/event", data=data, headers=OWN)
    assert wrong.status_code == 400
    assert "expected the sensor that was moved" in wrong.get_data(as_text=True)
    data |= {"sensor": "cabin vertical", "note": "new bracket"}
    assert client.post("/job/event", data=data, headers=OWN).status_code == 302
    state = shop.fleet.state()
    with state.book.reading() as connection:
        events = tables_in_force(state.book, connection, state.change)["events"]
    last = {c: events.text(c)[-1] for c in ("job", "kind", "sensor", "note")}
    assert last == {"job": "J-058", "kind": "sensor moved", "sensor": "cabin vertical",
                    "note": "new bracket"}  # fmt: skip


@pytest.mark.parametrize("was", ["", "[]", "{", '{"a": 1}', '{"a": "' + "x" * 200_001 + '"}'])
def test_a_form_that_lost_what_it_showed_is_refused(client: FlaskClient, was: str) -> None:
    status, told = sent(client, "/job/enter", **{**RUN, "was": was})
    assert status == 400
    assert "load the page again" in told["wrong"][0]


def test_a_job_is_opened_worked_on_and_closed(shop: Shop, client: FlaskClient) -> None:
    page = client.get("/jobs/new").get_data(as_text=True)
    assert 'value="J-059"' in page  # goes on from the last
    data = {"job": "J-059", "rotor": "MR-101", "design": "main rotor", "aircraft": "OV-TA",
            "run": "1", "started": "2026-11-26T08:00"}  # fmt: skip
    answer = client.post("/jobs/new", data=data, headers=OWN)
    assert answer.headers["Location"] == "/job/enter?job=J-059&run=1"
    again = client.post("/jobs/new", data=data, headers=OWN)
    assert again.status_code == 400
    assert "expected a name that is new" in again.get_data(as_text=True)
    typed = fields(a__0__1="0.1", c__0__1="4:30")
    run = {"job": "J-059", "run": "1", "form": "run", "started": "2026-11-26T08:00",
           "was": json.dumps({"started": "2026-11-26T08:00"})}  # fmt: skip
    assert sent(client, "/job/enter", **run, **typed)[0] == 200
    closing = {"job": "J-059", "status": "closed", "closing_run": "1", "released_by": "N. Example"}
    assert client.post("/job/status", data=closing, headers=OWN).status_code == 302
    assert "released by N. Example" in client.get("/job?job=J-059").get_data(as_text=True)
    status, told = sent(client, "/job/enter", **{**run, "run": "2"}, **typed)
    assert status == 400
    assert "an open job" in told["told"][0]


def test_other_rotors_are_not_read_again_after_an_entry(shop: Shop, client: FlaskClient) -> None:
    state = shop.fleet.state()
    rotor = rotor_of(shop)
    other, mine = state.history(rotor, "MR-101"), state.history(rotor, "MR-107")
    assert sent(client, "/job/enter", **RUN, **fields(a__0__1="0.1", c__0__1="1:00"))[0] == 200
    later = shop.fleet.state()
    assert later.change == state.change + 1
    assert later.history(rotor, "MR-101") is other
    assert later.history(rotor, "MR-107") is not mine
    assert len(later.history(rotor, "MR-107").runs) == len(mine.runs) + 1
    assert later.standing(later.job("J-058")) != state.standing(state.job("J-058"))


def test_what_is_fitted_is_entered_and_what_the_job_before_left_is_at_hand(
    shop: Shop, client: FlaskClient
) -> None:
    data = {"job": "J-059", "rotor": "MR-107", "design": "main rotor", "aircraft": "OV-TG",
            "run": "1", "started": "2026-11-26T08:00"}  # fmt: skip
    made = {"job": "J-058", "run": "1", "form": "moves", "m.0.0": "40"}
    assert sent(client, "/job/moves", **made)[0] == 200
    assert client.post("/jobs/new", data=data, headers=OWN).status_code == 302
    page = client.get("/job/fitted?job=J-059").get_data(as_text=True)
    assert "Fill in what job J-058 left" in page
    state = shop.fleet.state()
    fitted = state.history(rotor_of(shop), "MR-107").fitted
    start = fitted[(fitted["job"] == "J-058") & (fitted["adjuster"] == "hub weight")]
    red = float(start.loc[start["blade"] == "red", "amount"].iloc[0])
    assert f'data-ordered="f.0.0" data-amount="{red + 40:g}"' in page
    typed = {"job": "J-059", "form": "fitted", "f.0.0": "100", "f.0.1": "0", "f.1.2": "-1,5"}
    assert sent(client, "/job/look-through", **typed)[0] == 200
    status, told = sent(client, "/job/fitted", **typed)
    assert status == 200
    assert "f.0.0" in told["doubts"]  # not what the job before left
    with shop.fleet.state().book.reading() as connection:
        table = tables_in_force(state.book, connection, shop.fleet.state().change)["fitted"]
    rows_of = [k for k in range(len(table)) if table.text("job")[k] == "J-059"]
    assert {
        (table.text("adjuster")[k], table.text("blade")[k], table.text("amount")[k])
        for k in rows_of
    } == {("hub weight", "red", "100"), ("hub weight", "blue", "0"), ("trim tab", "green", "-1.5")}
