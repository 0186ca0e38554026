"""How fast a logbook takes readings in and gives them back, and how much memory that needs.

    python studies/logbook_speed.py                # a million readings
    python studies/logbook_speed.py 10000000       # ten million, as a large fleet has in years
    python studies/logbook_speed.py --url postgresql://user@host/empty_database

Writes a log's folder (rotors x 10 jobs x 4 runs x 24 channels, moves between all runs), imports it
with `adapt logbook import` in a process of its own, twice, and reads it back: all of it, as the
learner does, one rotor's jobs, as planning does, and as `adapt logbook verify` does. Beside it, in
the same run, the least that anybody could do: the rows of readings.csv read by Python's csv module
and put into a bare SQLite table as they are, without index, names or record. Prints seconds, rows a
second, ratios, and the largest memory that each process had.
"""

from __future__ import annotations

import csv
import os
import resource
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import islice, product
from pathlib import Path

import numpy as np
from asking import add_folder, add_quick, ended, folder, options_of, whole
from kept import kept_csv, kept_figure, kept_text
from study_figures import bars

import adapt
from adapt.database.opening import open_logbook
from adapt.database.verifying import verify

SENSORS = [f"sensor {k}" for k in range(4)]
REGIMES = [f"regime {k}" for k in range(6)]
JOBS, RUNS = 10, 4  # of a rotor, of a job


def write_log(folder: Path, rotors: int, seed: int) -> int:
    """Write a log of so many rotors; return its readings."""
    rng = np.random.default_rng(seed)
    channels = list(product(REGIMES, SENSORS))
    readings = 0
    with (
        (folder / "runs.csv").open("w") as runs,
        (folder / "readings.csv").open("w") as read,
        (folder / "moves.csv").open("w") as moves,
    ):
        runs.write("rotor,job,run,started,design\n")
        read.write("job,run,regime,sensor,amplitude,clock\n")
        moves.write("job,after_run,blade,adjuster,amount\n")
        for rotor, job in product(range(rotors), range(JOBS)):
            name = f"J-{job:02d}-{rotor:05d}"
            amplitude = rng.integers(0, 400, (RUNS, len(channels)))
            minute = rng.integers(0, 144, (RUNS, len(channels)))
            for run in range(RUNS):
                day = f"{2010 + job:04d}-{1 + rotor % 12:02d}-{1 + rotor % 28:02d}"
                runs.write(f"MR-{rotor:05d},{name},{run + 1},{day}T{8 + 2 * run:02d}:00,main\n")
                if run + 1 < RUNS:
                    moves.write(f"{name},{run + 1},A,hub weight,{20 * (1 + rotor % 5)}\n")
                for k, (regime, sensor) in enumerate(channels):
                    clock = 5 * int(minute[run, k])
                    read.write(
                        f"{name},{run + 1},{regime},{sensor},0.{amplitude[run, k]:03d},"
                        f"{clock // 60}:{clock % 60:02d}\n"
                    )
                readings += len(channels)
    return readings


def in_a_process(*words: str) -> tuple[float, float]:
    """Run a command; return its seconds and the most memory that it had [MB]."""
    begun = time.perf_counter()
    child = os.posix_spawn(
        sys.executable, [sys.executable, *words], dict(os.environ),
        file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)],
    )  # fmt: skip
    _, status, used = os.wait4(child, 0)
    seconds = time.perf_counter() - begun
    if status:
        raise SystemExit(f"{' '.join(words)} ended with {status}")
    return seconds, used.ru_maxrss / 1e3


def bare(readings: Path, file: Path) -> float:
    """Put the rows of a CSV file into a bare table; return the seconds."""
    begun = time.perf_counter()
    with sqlite3.connect(file, isolation_level=None) as connection, readings.open() as lines:
        connection.execute("CREATE TABLE r (a, b, c, d, e, f)")
        connection.execute("BEGIN")
        rows = csv.reader(lines)
        while batch := list(islice(rows, 50_000)):
            connection.executemany("INSERT INTO r VALUES (?, ?, ?, ?, ?, ?)", batch)
        connection.execute("COMMIT")
    return time.perf_counter() - begun


def measured(
    folder: Path, rotors: int, seed: int, url: str | None
) -> Iterator[tuple[str, float, str]]:
    """Give what was measured: what, how much, and the unit."""
    log = folder / "log"
    log.mkdir()
    readings = write_log(log, rotors, seed)
    yield "readings", readings, ""
    book = url or str(folder / "fleet.logbook")
    in_a_process("-m", "adapt", "logbook", "new", book)
    start, _ = in_a_process("-m", "adapt", "logbook", "changes", book)
    least = bare(log / "readings.csv", folder / "bare.db")
    seconds, memory = in_a_process("-m", "adapt", "logbook", "import", book, str(log), "--json")
    yield "import, readings a second", readings / (seconds - start), "1/s"
    yield "import / bare table without index", (seconds - start) / least, "times"
    yield "import, most memory", memory, "MB"
    if url is None:
        size = Path(book).stat().st_size
        yield "bytes a reading in the file", size / readings, "B"
        yield "file / bare table", size / (folder / "bare.db").stat().st_size, "times"
    again, memory = in_a_process("-m", "adapt", "logbook", "import", book, str(log), "--json")
    yield "the same again (nothing new), readings a second", readings / (again - start), "1/s"
    yield "the same again, most memory", memory, "MB"
    begun = time.perf_counter()
    whole = adapt.read_log(book)
    yield "all of it read, as learning does", time.perf_counter() - begun, "s"
    assert len(whole.tables["readings"]) == readings
    yield (
        "memory of this process then",
        resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3,
        "MB",
    )
    del whole
    times = []
    for k in range(20):
        begun = time.perf_counter()
        own = adapt.read_log(book, rotors=[f"MR-{(k * 7919) % rotors:05d}"])
        times.append(1e3 * (time.perf_counter() - begun))
        assert len(own.tables["readings"]) == JOBS * RUNS * len(SENSORS) * len(REGIMES)
    yield "one rotor's ten jobs read, as planning does: median", statistics.median(times), "ms"
    yield "the same, longest of 20", max(times), "ms"
    begun = time.perf_counter()
    looked = verify(open_logbook(book))
    assert looked.whole
    yield (
        "looked through by verify, rows a second",
        looked.rows / (time.perf_counter() - begun),
        "1/s",
    )


def main() -> None:
    """Print what was measured."""
    options = options_of(__doc__)
    options.add_argument("readings", nargs="?", type=whole(1), default=1_000_000)
    add_quick(options, "50,000 readings")
    options.add_argument("--seed", type=whole(0), default=1)
    options.add_argument("--url", help="an empty database of a server, in place of a file")
    options.add_argument("--place", type=folder, help="where the files are made (a disk with room)")
    add_folder(options)
    asked = options.parse_args()
    count = 50_000 if asked.quick else asked.readings
    rotors = max(1, round(count / (JOBS * RUNS * len(SENSORS) * len(REGIMES))))
    rows: list[dict[str, str | float]] = []
    print(f"{count:,d} readings: written as files first", file=sys.stderr, flush=True)
    with (
        tempfile.TemporaryDirectory(dir=asked.place) as place,
        kept_text(asked.folder, "logbook_speed.txt"),
    ):
        for what, number, unit in measured(Path(place), rotors, asked.seed, asked.url):
            rows.append({"what": what, "number": number, "unit": unit})
            print(f"{what:52s} {number:14,.1f} {unit}", flush=True)
    kept_csv(asked.folder, "logbook_speed.csv", rows)
    rates = [(str(r["what"]).removesuffix(" a second"), float(r["number"]))
             for r in rows if r["unit"] == "1/s"]  # fmt: skip
    kept_figure(asked.folder, "logbook_speed", bars(rates, "a second"))


if __name__ == "__main__":
    ended(main)
