"""What a planner sees: the fix, what it brings, other requests, moves by hand, the order."""

from __future__ import annotations

import json
import re
import time

import pytest
from flask.testing import FlaskClient
from page_texts import OWN, said
from waited import waited

from adapt.pages.application import Shop
from adapt.planning.plan import Move


def test_the_fix_stands_there_with_its_proof_chance_and_data_date(reader: FlaskClient) -> None:
    page = waited(reader, "/job/plan?job=J-058")
    text = said(page)
    # As `adapt demo` prints it.
    assert "3 moves: the next run is inside every limit" in text
    assert "Proven: fewer moves do not reach the target, and as many do no better." in text
    assert "240 g: add weight at the blade's hub arm" in text
    assert "From run 1, read 2026-11-24 15:20" in text
    assert "data from" in text
    assert "after change" in text
    assert "Rotating blades kill" in text
    assert "Pitch links: independent inspection" in text
    pictures = re.findall(r'<img src="(/picture/[0-9a-f]+\.svg)"', page)
    assert len(pictures) >= 6
    for picture in pictures:
        drawn = reader.get(picture)
        assert drawn.status_code == 200
        assert drawn.data.startswith(b"<?xml")
        assert "immutable" in drawn.headers["Cache-Control"]


def test_another_request_gives_another_plan(reader: FlaskClient) -> None:
    text = said(waited(reader, "/job/plan?job=J-058&aim=smoothest&most_moves=2"))
    assert "no plan within the same number of moves has a lower worst ratio" in text
    locked = said(waited(reader, "/job/plan?job=J-058&lock.blade.0=1"))
    assert "red hub weight" not in locked.split("Moves")[1].split("Labour")[0]


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("aim=best", "aim: found 'best'"),
        ("chance=100", "chance: found 100 %"),
        ("chance=x", "chance: found 'x'"),
        ("most_moves=-1", "most moves: found '-1'"),
        ("limits=nowhere", "limits: found 'nowhere'"),
    ],
)
def test_a_request_that_cannot_be_is_told(reader: FlaskClient, asked: str, told: str) -> None:
    answer = reader.get(f"/job/plan?job=J-058&{asked}")
    assert answer.status_code == 400
    assert told in said(answer.get_data(as_text=True))


def what_if(client: FlaskClient, moves: str) -> tuple[int, dict]:
    for _ in range(240):
        answer = client.get(f"/job/what-if?job=J-058&{moves}")
        if answer.status_code != 202:
            return answer.status_code, json.loads(answer.data)
        time.sleep(0.5)
    raise AssertionError("waits for ever")


def test_moves_by_hand_show_what_the_plan_shows_of_the_same_moves(reader: FlaskClient) -> None:
    page = waited(reader, "/job/plan?job=J-058")
    status, told = what_if(reader, "m.0.0=%2B240&m.2.2=6&m.2.3=-3")
    assert status == 200
    table = re.search(r"cabin lateral \[ips\].*?descent", said(page))
    assert table is not None
    assert table[0] in said(told["html"])
    assert "Everything with a limit is predicted inside" in said(told["html"])


def test_nothing_moved_is_what_stands_now(reader: FlaskClient) -> None:
    _, told = what_if(reader, "")
    assert "Not all inside: worst predicted ratio 1.80" in said(told["html"])


def test_moves_that_the_hardware_does_not_allow_are_told(reader: FlaskClient) -> None:
    _, told = what_if(reader, "m.0.0=250,5")
    text = said(told["html"])
    assert "They break what the hardware allows" in text
    assert "250.5 g is not a whole number of steps of 20" in text
    status, told = what_if(reader, "m.0.0=abc&m.1.1=1e99")
    assert status == 400
    assert set(told["wrong"]) == {"m.0.0", "m.1.1"}


def test_a_plan_is_ordered_and_stands_beside_what_is_made(shop: Shop, client: FlaskClient) -> None:
    page = waited(client, "/job/plan?job=J-058")
    work = re.search(r'name="work" value="([0-9a-f]+)"', page)
    assert work is not None
    data = {"job": "J-058", "work": work[1], "note": "tonight"}
    planned_at = shop.fleet.state().change
    is_taken_back(shop, client, {**data, "note": "first thoughts"})
    assert client.post("/job/order", data=data, headers=OWN).status_code == 302
    order = shop.fleet.state().orders("J-058")["1"]
    assert set(order.moves) == {
        Move("red", "hub weight", 240.0), Move("green", "pitch link", 6.0),
        Move("yellow", "pitch link", -3.0),
    }  # fmt: skip
    assert order.who == "tester"
    assert order.known == planned_at
    page = client.get("/job/moves?job=J-058").get_data(as_text=True)
    assert 'data-ordered="m.0.0" data-amount="+240"' in page
    assert "tonight" in page
    # Made otherwise: the job says so.
    made = {"job": "J-058", "run": "1", "was": "{}", "m.0.0": "220", "m.2.2": "6", "m.2.3": "-3"}
    assert client.post("/job/moves", data=made, headers=OWN).status_code == 302
    text = said(client.get("/job?job=J-058").get_data(as_text=True))
    assert "NOT made as ordered" in text
    assert "after run 1 red hub weight +240 g +220 g" in text
    # And nothing is ordered any more from where the rotor does not stand now.
    assert client.post("/job/order", data=data, headers=OWN).status_code == 409


def is_taken_back(shop: Shop, client: FlaskClient, order: dict[str, str]) -> None:
    assert client.post("/job/order", data=order, headers=OWN).status_code == 302
    data = {"job": "J-058", "after_run": "1", "note": "worn rod end"}
    assert client.post("/job/order/take-back", data=data, headers=OWN).status_code == 302
    assert shop.fleet.state().orders("J-058")["1"].taken_back
    page = client.get("/job/moves?job=J-058").get_data(as_text=True)
    assert "The order was taken back by tester" in said(page)
    assert client.post("/job/order/take-back", data=data, headers=OWN).status_code == 400


def test_a_plan_that_nobody_worked_out_here_is_not_ordered(reader: FlaskClient) -> None:
    answer = reader.post("/job/order", data={"job": "J-058", "work": "0" * 24}, headers=OWN)
    assert answer.status_code == 409
    assert "plan again" in said(answer.get_data(as_text=True))


def test_work_is_given_up(client: FlaskClient, shop: Shop) -> None:
    path = "/job/plan?job=J-058&aim=likeliest&most_moves=5&chance=80"
    page = client.get(path).get_data(as_text=True)
    work = re.search(r'data-waiting="([0-9a-f]+)"', page)
    assert work is not None
    told = json.loads(client.get(f"/work?name={work[1]}").data)
    assert (told["done"], told["what"]) == (False, "Planning job J-058")
    client.post("/work/give-up", data={"name": work[1]}, headers=OWN)
    for _ in range(100):
        found = shop.works.find(work[1])
        assert found is not None
        if found.done:
            break
        time.sleep(0.1)
    assert found.given_up
    assert client.get("/work?name=nothing").status_code == 404


@pytest.mark.parametrize(("kind", "begins"), [("html", b"<!doctype html>"), ("pdf", b"%PDF")])
def test_the_report_is_written(reader: FlaskClient, kind: str, begins: bytes) -> None:
    for _ in range(240):
        answer = reader.get(f"/job/report.{kind}?job=J-058")
        if answer.status_code == 200:
            break
        assert answer.status_code == 202
        time.sleep(0.5)
    assert answer.data.startswith(begins)


def test_a_plan_waits_where_moves_were_made(client: FlaskClient) -> None:
    made = {"job": "J-057", "run": "1", "was": "{}", "m.0.0": "6"}
    assert client.post("/job/moves", data=made, headers=OWN).status_code == 302
    text = said(waited(client, "/job/plan?job=J-057"))
    assert "moves logged after run 1" in text
