"""
The command `spanwarden simulate`: a simulated structure publishes, or is recorded to a file.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.simulate.encode import PAYLOADS, Message, Packer
from pipeline.simulate.publish import Link, Published, publish
from pipeline.simulate.record import arrivals, write_stream
from pipeline.simulate.scenario import microseconds, read_scenario, scenario_names
from pipeline.simulate.schedule import read_event, read_fault
from pipeline.simulate.simulator import Simulator
from pipeline.simulate.truth import write_truth

PIECE_US = 600_000_000
EXAMPLE = """\
examples:
  a deck for two hours in real time, with an overload half an hour from now:
    spanwarden simulate --structure quill-deck --hours 2 --event overload@30m+6m
  the last day at once, with a gauge that breaks, and the truth beside it:
    spanwarden simulate --structure quill-deck --hours 24 --speed max \\
        --fault open:n1-g1s1-ohm@8h+2h --truth truth.csv.gz

An event is KIND@OFFSET+DURATION[*SIZE]: overload, load_test, heat_wave (size in K).
A fault is KIND:TARGET@OFFSET+DURATION[*SIZE]: open, short, stuck, spikes, silence, clock_jump,
drift. Offsets count from the start: 90s, 15m, 1.5h, 2d.
"""


def main(argv: Sequence[str], now: Callable[[], float] = time.time) -> int:
    """
    Run the command; returns 0 when everything sent was acknowledged.

    Usage errors leave with code 2 as argparse does; surroundings (no broker) raise
    `StationError`, a bad scenario `ConfigError`.
    """
    parser = _parser()
    asked = parser.parse_args(argv)
    scenario = read_scenario(asked.scenario)
    structure = asked.structure or next(iter(scenario.structures))
    try:
        start_us, end_us = _span(asked, now)
        simulator = Simulator(
            scenario,
            structure,
            start_us,
            end_us,
            seed=asked.seed,
            events=[read_event(text, start_us) for text in asked.event],
            faults=[read_fault(text, start_us) for text in asked.fault],
            interval_s=None if asked.rate is None else 1 / asked.rate,
        )
        packer = Packer(scenario.prefix, structure, asked.payload, asked.batch, asked.sequence)
        speed = _speed(asked.speed)
        link = _link(asked, structure)
    except (ValueError, ZeroDivisionError) as error:
        parser.error(str(error))
    if asked.truth:
        step_us = round(asked.truth_every * 1e6)
        times = np.arange(-(-start_us // step_us), -(-end_us // step_us)) * step_us
        write_truth(simulator.truth(times), asked.truth)
    if asked.record:
        write_stream(arrivals(simulated_messages(simulator, packer)), asked.record)
        print(f"recorded to {asked.record}")
        return 0
    done = publish(simulated_messages(simulator, packer), link, speed=speed)
    print(_told(done, structure, link))
    return 0 if done.acknowledged == done.messages else 1


def simulated_messages(
    simulator: Simulator, packer: Packer, piece_us: int = PIECE_US
) -> Iterator[Message]:
    """All messages of a simulator's span, made piece by piece so that memory stays bounded."""
    for first in range(simulator.start_us, simulator.end_us, piece_us):
        last = min(first + piece_us, simulator.end_us)
        yield from packer.add(simulator.readings(first, last))
    yield from packer.flush()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="spanwarden simulate",
        description="Simulate a structure with its gauges and publish its readings over MQTT.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add = parser.add_argument
    add("--scenario", default="quillmere", help=f"one of {', '.join(scenario_names())}, or a file")
    add("--structure", help="id of the structure; default: the scenario's first")
    add("--hours", type=float, default=1.0, help="how long (default 1), where --to is not given")
    add("--from", dest="start", metavar="TIME", help="first reading, such as 2026-07-01T00:00Z")
    add("--to", dest="end", metavar="TIME", help="end of the span")
    add("--rate", type=float, help="readings a second of every channel; default: its own")
    add("--speed", default="1", help="1 real time (default), 60 an hour a minute, or max")
    add("--broker", default="127.0.0.1:1883", metavar="HOST:PORT")
    add("--protocol", default="5", choices=("5", "3.1.1"))
    add("--username")
    add("--password-env", metavar="NAME", help="variable of the environment with the password")
    add("--payload", default="json", choices=PAYLOADS)
    add("--batch", type=int, default=1, help="readings a message (default 1)")
    add("--sequence", type=int, default=1, help="first sequence number of each node")
    add("--seed", type=int, default=1, help="the same seed gives the same readings")
    add("--event", action="append", default=[], metavar="EVENT")
    add("--fault", action="append", default=[], metavar="FAULT")
    add("--truth", type=Path, metavar="FILE", help="write the truth: .csv, .csv.gz or .parquet")
    add("--truth-every", type=float, default=60.0, metavar="SECONDS")
    add("--record", type=Path, metavar="FILE", help="write .jsonl or .jsonl.gz; publish nothing")
    return parser


def _span(asked: argparse.Namespace, now: Callable[[], float]) -> tuple[int, int]:
    length_us = round(asked.hours * 3.6e9)
    if asked.start is not None:
        start = _time(asked.start)
        return start, _time(asked.end) if asked.end is not None else start + length_us
    if asked.end is not None:
        end = _time(asked.end)
        return end - length_us, end
    now_us = round(now() * 1e6)
    # Faster than real time would stamp readings in the future: then the span ends now.
    is_real_time = asked.speed == "1"
    return (now_us, now_us + length_us) if is_real_time else (now_us - length_us, now_us)


def _time(text: str) -> int:
    return microseconds(datetime.fromisoformat(text))


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    speed = float(text)
    if not speed > 0:
        raise ValueError(f"--speed {text}: write a number above 0, or max")
    return speed


def _link(asked: argparse.Namespace, structure: str) -> Link:
    host, colon, port = asked.broker.rpartition(":")
    if not colon or not port.isdigit():
        raise ValueError(f"--broker {asked.broker}: write HOST:PORT, such as 127.0.0.1:1883")
    password = None
    if asked.password_env is not None:
        password = os.environ.get(asked.password_env)
        if password is None:
            raise ValueError(f"--password-env {asked.password_env}: there is no such variable")
    return Link(
        host=host,
        port=int(port),
        protocol=asked.protocol,
        client_id=f"spanwarden-simulate-{structure}",
        username=asked.username,
        password=password,
    )


def _told(done: Published, structure: str, link: Link) -> str:
    return (
        f"{structure}: {done.readings} readings in {done.messages} messages to "
        f"{link.host}:{link.port}, {done.acknowledged} acknowledged"
    )
