"""Fifty people at `adapt pages` over the demo's fleet at once: what fails, how long pages take.

    python studies/pages_load.py [--users 50] [--seconds 30] [--think 2] [--quick] [--folder F]

Each opens the jobs, one of the last ten, its entry form, its plan and a picture of it, again and
again, with a pause before each page; a plan that is on its way is looked after as the page does.
Every fifth also enters runs into a job of their own. Beside each page
stands its time over that of a bare file of the same server in the same run, from which the
machine's pace drops out.
Ends with status 1 where a request failed or a confirmed run is not in the logbook at the end.
"""

from __future__ import annotations

import http.client
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import numpy as np
from asking import add_folder, add_quick, ended, options_of, seconds, whole
from kept import kept_csv, kept_figure, kept_text
from study_figures import bars

import adapt
from adapt.database.making import new_logbook
from adapt.database.opening import open_logbook
from adapt.logbook.documents import keep_chart, keep_rotor_file
from adapt.logbook.importing.source import batches_of
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.jobs import jobs_of

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
DESIGNS = {"main": "chart.csv", "tail": "tail-chart.csv"}
BARE = "a bare file"
PLANNED = "until planned"  # from asking for a plan to its page
PAGES = (
    "jobs", "job", "entry form", "plan", "plan on its way", "is it done", PLANNED, "picture",
    "run entered", BARE,
)  # fmt: skip
OWN = {"Sec-Fetch-Site": "same-origin"}
JSON = {"Accept": "application/json", "Content-Type": "application/x-www-form-urlencoded", **OWN}


@dataclass
class Found:
    """What a run found. seconds: of each answered request, by page. failed: what went wrong.

    entered: runs whose entry was confirmed; missing: those of them that are not in the logbook.
    """

    users: int
    lasted: float = 0.0
    seconds: dict[str, list[float]] = field(default_factory=lambda: {p: [] for p in PAGES})
    failed: list[str] = field(default_factory=list)
    entered: list[tuple[str, str]] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)


class User:
    """One person: a connection that is kept open, and what was found with it."""

    def __init__(self, address: str, number: int, think_s: float) -> None:
        parts = urlsplit(address)
        self._connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=60)
        self._random = np.random.default_rng(number)
        self._think_s = think_s
        self.found = Found(1)

    def asks(
        self, page: str, path: str, form: Mapping[str, str] | None = None, at_once: bool = False
    ) -> str:
        """Ask for a page, after a pause or at once; return its text, "" where it failed."""
        time.sleep(0.0 if at_once else self._random.exponential(self._think_s))
        begun = time.perf_counter()
        try:
            if form is None:
                self._connection.request("GET", path)
            else:
                self._connection.request("POST", path, urlencode(form), JSON)
            answer = self._connection.getresponse()
            text = answer.read().decode("utf-8")
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            self.found.failed.append(f"{page}: {type(error).__name__}: {error}")
            return ""
        took = time.perf_counter() - begun
        if answer.status != 200:
            self.found.failed.append(f"{page}: status {answer.status}: {_told(text)}")
            return ""
        if page == "plan" and "data-waiting" in text:
            page = "plan on its way"
        self.found.seconds[page].append(took)
        return text

    def works(self, jobs: list[str], own: tuple[str, int] | None, until: float) -> None:
        """Look at jobs until a moment. own: the job to enter runs into, and its number of runs."""
        while time.time() < until:
            if own is not None:
                own = (own[0], own[1] + 1)
                self._enters(*own)
            job = jobs[self._random.integers(len(jobs))]
            self.asks("jobs", "/")
            self.asks("job", f"/job?job={job}")
            self.asks("entry form", f"/job/enter?job={job}")
            plan = self._plans(job, until)
            if (picture := re.search(r"/picture/\w+\.svg", plan)) is not None:
                self.asks("picture", picture[0])
            self.asks(BARE, "/static/pages.css")

    def _plans(self, job: str, until: float) -> str:
        """Ask for a plan until it is there, as its page does; return the last page."""
        path = f"/job/plan?job={job}"
        text = self.asks("plan", path)
        begun = time.perf_counter()
        while (work := re.search(r'data-waiting="(\w+)"', text)) and time.time() < until:
            time.sleep(0.7)
            told = self.asks("is it done", f"/work?name={work[1]}", at_once=True)
            if told and json.loads(told)["done"]:
                text = self.asks("plan", path, at_once=True)
        if text and work is None:
            self.found.seconds[PLANNED].append(time.perf_counter() - begun)
        return text

    def _enters(self, job: str, run: int) -> None:
        form = {"job": job, "run": str(run), "was": "{}", "a.0.1": "0.21", "c.0.1": "4:30"}
        told = self.asks("run entered", "/job/enter", form)
        if told and json.loads(told)["kept"]:
            self.found.entered.append((job, str(run)))


def _told(text: str) -> str:
    """Return what an answer that refuses says."""
    return " ".join(re.sub(r"<[^>]*>", " ", text.partition('role="alert"')[2] or text).split())[
        :200
    ]


def demo_logbook(place: Path) -> None:
    """Make a logbook with the demo's log, rotor files and charts."""
    new_logbook(str(place))
    book = open_logbook(str(place), to_write=True)
    rotors = []
    for name, chart in DESIGNS.items():
        rotors.append(adapt.read_rotor(DEMO / f"{name}-rotor.toml"))
        keep_rotor_file(book, DEMO / f"{name}-rotor.toml", "study")
        keep_chart(book, DEMO / chart, rotors[-1].name, "study")
    log = DEMO / "log"
    take_in(book, batches_of(log), str(log), "study", rotors=rotors, with_faults=True)


@contextmanager
def pages_over(place: Path) -> Iterator[str]:
    """Serve a logbook in a process of its own; give the address."""
    command = [sys.executable, "-m", "adapt", "pages", str(place), "--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield json.loads(process.stdout.readline())["address"]
        finally:
            process.terminate()


def run(place: Path, users: int, seconds: float, think_s: float) -> Found:
    """Let users work on a logbook through its pages."""
    jobs = list(jobs_of(open_logbook(str(place))))
    names = [job.job for job in jobs]
    with pages_over(place) as address:
        first = User(address, 0, 0.0)
        first.asks("jobs", "/")  # what is read and compiled once is not measured
        while "data-waiting" in first.asks("plan", f"/job/plan?job={names[-1]}"):
            time.sleep(0.5)
        people = [User(address, n + 1, think_s) for n in range(users)]
        begun = time.time()
        threads = []
        for n, user in enumerate(people):
            writes = n % 5 == 0 and n // 5 < len(jobs)
            own = (jobs[n // 5].job, len(jobs[n // 5].runs)) if writes else None
            arguments = (names[-10:], own, begun + seconds)
            threads.append(threading.Thread(target=user.works, args=arguments, daemon=True))
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        found = Found(users, time.time() - begun)
    for user in people:
        found.failed += user.found.failed
        found.entered += user.found.entered
        for page, took in user.found.seconds.items():
            found.seconds[page] += took
    there = {(job.job, r) for job in jobs_of(open_logbook(str(place))) for r in job.runs}
    found.missing = [entry for entry in found.entered if entry not in there]
    return found


def report(found: Found) -> list[str]:
    """Return what was found, as lines to print."""
    answered = sum(len(took) for page, took in found.seconds.items() if page != PLANNED)
    lines = [
        f"{found.users} people, {found.lasted:.0f} s, "
        f"{answered} requests answered, {len(found.failed)} failed; "
        f"{len(found.entered)} runs entered, {len(found.missing)} of them missing",
        "",
        f"{'page':<16} {'requests':>8} {'median [ms]':>12} {'95 % [ms]':>10} {'/ bare file':>12}",
    ]
    bare = float(np.median(found.seconds[BARE])) if found.seconds[BARE] else float("nan")
    for page, took in found.seconds.items():
        if took:
            middle, high = np.quantile(took, [0.5, 0.95])
            lines.append(
                f"{page:<16} {len(took):>8} {1e3 * middle:>12.1f} {1e3 * high:>10.1f} "
                f"{middle / bare:>12.1f}"
            )
    return [*lines, *(f"failed: {why}" for why in found.failed[:10])]


def main() -> int:
    """Run, and print the figures."""
    options = options_of(__doc__)
    options.add_argument("--users", type=whole(1), default=50)
    options.add_argument("--seconds", type=seconds, default=30.0)
    options.add_argument("--think", type=seconds, default=2.0, help="pause before a page, mean [s]")
    add_quick(options, "5 people, 5 s, pauses of 0.2 s")
    add_folder(options)
    asked = options.parse_args()
    users, lasts_s, think_s = asked.users, asked.seconds, asked.think
    if asked.quick:
        users, lasts_s, think_s = 5, 5.0, 0.2
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "fleet.logbook"
        demo_logbook(place)
        print(f"{users} people for {lasts_s:g} s, and until all are answered", file=sys.stderr)
        found = run(place, users, lasts_s, think_s)
    with kept_text(asked.folder, "pages_load.txt"):
        print("\n".join(report(found)))
    middle = {page: 1e3 * float(np.median(took)) for page, took in found.seconds.items() if took}
    rows = [
        {"page": page, "requests": len(found.seconds[page]), "median [ms]": ms,
         "95 % [ms]": 1e3 * float(np.quantile(found.seconds[page], 0.95))}
        for page, ms in middle.items()
    ]  # fmt: skip
    kept_csv(asked.folder, "pages_load.csv", rows)
    label = f"median of {users} people [ms]"
    kept_figure(asked.folder, "pages_load", bars(list(middle.items()), label, log=True))
    return 1 if found.failed or found.missing else 0


if __name__ == "__main__":
    ended(main)
