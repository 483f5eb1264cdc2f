"""
The benchmark: the station beside what its parts can do at best, as ratios within one run.

  bash ops/benchmark.sh [--quick]
Every figure but the ratios depends on the machine and on what else it does.
"""

from __future__ import annotations

import argparse
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from backlog import Backlog, make_backlog
from broker import BARE_ID, STATION_ID, leave_session, mosquitto
from chain_alone import measure_chain
from frames import send_packets
from rebuilding import measure_rebuild
from show import columns, heading, megabytes, rate, ratio, row
from stages import Stages, measure_stages
from surroundings import STATE, STRUCTURE, BenchmarkError, copy_site, machine_lines, sync_line
from worker import Drained, drain

from pipeline.simulate.encode import Payload
from pipeline.site.read import read_site
from pipeline.station.layout import structure_of
from pipeline.station.machine import Setup, compile_setup

# Payload, readings a message, messages, seconds between readings of a channel: as configured
# for single readings, a fast logger for full messages.
BACKLOGS: tuple[tuple[Payload, int, int, float], ...] = (
    ("json", 1, 60_000, 60.0),
    ("cbor", 1, 20_000, 60.0),
    ("arrow", 1, 20_000, 60.0),
    ("json", 1000, 2_000, 1.0),
    ("cbor", 1000, 2_000, 1.0),
    ("arrow", 1000, 2_000, 1.0),
)
CHAIN_ROWS = 23 * 86_400
# Two densities: a deck at 1 Hz, and one reading a minute as the example is configured.
ARCHIVES = ((23 * 86_400, 1.0), (23 * 1_440 * 20, 60.0))


@dataclass(frozen=True)
class Bare:
    """What the bare client did with one backlog."""

    seconds: float
    processor_s: float
    peak_kb: int


@dataclass(frozen=True)
class Measured:
    """One backlog, drained some times by both."""

    title: str
    messages: int
    readings: int
    station: list[Drained]
    bare: list[Bare]
    stages: Stages


def main(argv: Sequence[str]) -> int:
    """Measure and print; 1 when something could not be measured."""
    parser = argparse.ArgumentParser(prog="ops/benchmark.sh", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the size, once each")
    options = parser.parse_args(argv)
    part, repetitions = (10, 1) if options.quick else (1, 3)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    begun = time.monotonic()
    machine = machine_lines()
    STATE.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix="benchmark-", dir=STATE) as name:
            before = sync_line(Path(name), "before")
            _measure(Path(name), part, repetitions)
            heading("Disk of this run", before, sync_line(Path(name), "after"))
    except BenchmarkError as error:
        print(f"\nNothing to compare: {error}", file=sys.stderr)
        return 1
    heading("Machine", *machine, f"the run took {time.monotonic() - begun:.0f} s")
    return 0


def _measure(folder: Path, part: int, repetitions: int) -> None:
    with mosquitto(folder) as port:
        site = copy_site(folder, port)
        read = read_site(site)
        setup = compile_setup(read, structure_of(read, STRUCTURE))
        measured = _measure_backlogs(site, port, setup, part, repetitions)
    _show_stages(measured)
    _show_chain(setup, CHAIN_ROWS // part)
    _show_rebuild(folder, setup, part)
    _show_memory(measured)


def _measure_backlogs(
    site: Path, port: int, setup: Setup, part: int, repetitions: int
) -> list[Measured]:
    heading(
        "Mosquitto backlog (QoS 1) to rules evaluated and position committed, beside a bare client",
        "Readings a second on the same backlog. Station: a worker process, from its connection to",
        "the commit with the last reading, which raises an alarm. Bare: a no-op callback, from its",
        f"connection to the last message. Median of {repetitions}. Mosquitto runs as",
        "ops/mosquitto.conf says, but for its periodic save. µs/msg: processor time, all threads.",
    )
    columns("station", "bare client", "ratio", "station µs/msg", "bare µs/msg")
    measured = []
    for payload, batch, messages, interval_s in BACKLOGS:
        backlog = make_backlog(payload, batch, messages // part, interval_s)
        one = _measure_backlog(backlog, site, port, setup, repetitions)
        _show_backlog(one)
        measured.append(one)
    return measured


def _measure_backlog(
    backlog: Backlog, site: Path, port: int, setup: Setup, repetitions: int
) -> Measured:
    stages = measure_stages(backlog, setup)
    packets = backlog.packets()
    station: list[Drained] = []
    bare: list[Bare] = []
    for repetition in range(repetitions):
        for client_id in (STATION_ID, BARE_ID):
            leave_session(client_id, port)
        send_packets(packets, port)
        # Both sessions hold the same messages; who goes first changes, so that neither gains.
        if repetition % 2:
            station.append(drain(site, backlog))
        bare.append(_drain_bare(len(packets), port))
        if not repetition % 2:
            station.append(drain(site, backlog))
    return Measured(backlog.title, len(packets), backlog.readings, station, bare, stages)


def _drain_bare(messages: int, port: int) -> Bare:
    program = Path(__file__).with_name("bare.py")
    command = [sys.executable, str(program), str(port), BARE_ID, str(messages)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    except subprocess.SubprocessError as error:
        said = getattr(error, "stderr", None)
        raise BenchmarkError(f"the bare client did not end well: {error}\n{said}") from error
    seconds, processor_s, peak_kb = done.stdout.split()
    return Bare(float(seconds), float(processor_s), int(peak_kb))


def _show_backlog(one: Measured) -> None:
    station_s = statistics.median(d.seconds for d in one.station)
    bare_s = statistics.median(b.seconds for b in one.bare)
    cells = [rate(one.readings, station_s), rate(one.readings, bare_s), ratio(bare_s, station_s)]
    for processor_s in ([d.processor_s for d in one.station], [b.processor_s for b in one.bare]):
        cells.append(f"{1e6 * statistics.median(processor_s) / one.messages:.0f}")
    row(f"{one.title}, {one.messages} messages", cells)


def _show_stages(measured: list[Measured]) -> None:
    heading(
        "Gate, chain and rules alone on such records, beside each other",
        "Readings a second; no broker, spool or ledger, one thread, groups as large as the worker",
        "takes them from a full spool.",
    )
    columns("gate", "chain", "rules", "all three", "chain's share")
    for one in measured:
        s = one.stages
        total_s = s.gate_s + s.chain_s + s.rules_s
        cells = [rate(s.readings, seconds) for seconds in (s.gate_s, s.chain_s, s.rules_s, total_s)]
        row(one.title, [*cells, f"{s.chain_s / total_s:.0%}"])


def _show_chain(setup: Setup, rows: int) -> None:
    times = measure_chain(setup.plan, rows)
    heading(
        "The chain alone, beside one numpy pass over the same readings",
        f"Readings a second on one core; {times.rows} of the deck at 1 Hz, median of 3.",
    )
    columns("chain", "beside", "ratio")
    day = rate(times.rows, times.day_s)
    for label, seconds in (
        ("a window, beside sort, then ratio to δ", times.sorted_s),
        ("a window, beside ratio to δ alone", times.ratio_s),
    ):
        row(label, [day, rate(times.rows, seconds), ratio(seconds, times.day_s)])
    block = rate(times.block_rows, times.block_s)
    row(
        f"blocks of {times.block_rows} (1 a gauge), beside a window",
        [block, day, ratio(times.block_rows / times.block_s, times.rows / times.day_s)],
    )
    row("one such block takes", [f"{1e3 * times.block_s:.2f} ms"])


def _show_rebuild(folder: Path, setup: Setup, part: int) -> None:
    heading(
        "Rebuild, beside plain pyarrow on the same files",
        "Readings a second, warm page cache, median of 3. Plain compare: reads raw and results.",
        "Plain write: reads raw, writes results and summary with the same settings, without syncs",
        "and without reading back.",
    )
    columns("rebuild", "plain", "ratio", "chain's share")
    for rows, interval_s in ARCHIVES:
        times = measure_rebuild(
            folder / f"every-{interval_s:.0f}-s", setup, rows // part, interval_s
        )
        what = f"{times.windows} days, every {interval_s:.0f} s"
        for label, seconds, plain_s in (
            ("compare", times.compare_s, times.read_s),
            ("write", times.replace_s, times.rewrite_s),
        ):
            cells = [rate(times.rows, seconds), rate(times.rows, plain_s), ratio(plain_s, seconds)]
            row(f"{label}, {what}", [*cells, f"{times.chain_s / seconds:.0%}"])


def _show_memory(measured: list[Measured]) -> None:
    heading(
        "Resident memory of the worker behind each backlog, beside the bare client's peak",
        "Largest of all repetitions. Start: from the start of the process to its connection.",
    )
    columns("worker peak", "worker now", "bare peak", "ratio of peaks", "start")
    for one in measured:
        peak, now = max(d.peak_kb for d in one.station), max(d.resident_kb for d in one.station)
        bare = max(b.peak_kb for b in one.bare)
        start_s = statistics.median(d.start_s for d in one.station)
        cells = [megabytes(peak), megabytes(now), megabytes(bare), ratio(peak, bare)]
        row(one.title, [*cells, f"{start_s:.1f} s"])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
