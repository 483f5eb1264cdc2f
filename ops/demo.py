"""
The demo: a simulated deck, an overload, a gauge that breaks; told, acknowledged, archived.

Everything lies in one folder below .state/ and all processes end with it, unless --keep is given.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[1]
STATE = Path(os.environ.get("SPANWARDEN_STATE", ROOT / ".state"))
DEMO = STATE / "demo"
SITE = DEMO / "quillmere"
STRUCTURE = "quill-deck"
PERSON = "tomas-reedwater"
OVERLOAD, BROKEN = "deck-strain", "deck-gauge"
PATIENCE_S = 60.0


def main(argv: Sequence[str]) -> int:
    """Run the demo; 0 when everything was seen that it promises."""
    parser = argparse.ArgumentParser(prog="ops/demo.sh", description=__doc__)
    parser.add_argument("--keep", action="store_true", help="leave everything running")
    options = parser.parse_args(argv)
    show = Show(options.keep)
    try:
        show.run()
    except DemoError as error:
        print(f"\nThe demo did not see what it should: {error}", file=sys.stderr)
        print(f"The station's log is {show.log}", file=sys.stderr)
        show.keep_files = True
        return 1
    finally:
        show.end()
    return 0


class DemoError(Exception):
    """Something did not happen in time; says what."""


class Show:
    """The processes of the demo and the steps that a person watches."""

    def __init__(self, keep: bool) -> None:
        self.keep = keep
        self.keep_files = keep
        self.log = DEMO / "station.log"
        self.running: list[subprocess.Popen[bytes]] = []
        self.port = free_port()
        self.where = ("--site", str(SITE), "--structure", STRUCTURE)
        # The history ends now: the worst of it lies minutes back, so no rule waits for the clock.
        self.now = datetime.now(UTC).replace(microsecond=0)

    def run(self) -> None:
        """All steps, in order."""
        self.prepare()
        self.start_broker()
        self.start_station()
        self.publish_history()
        self.wait_for_alarms()
        self.acknowledge()
        self.seal()
        self.summarise()
        self.say_where_next()

    def prepare(self) -> None:
        """A copy of the example site with a broker, a data folder and a pace of its own."""
        end_before(DEMO)
        shutil.rmtree(DEMO, ignore_errors=True)
        shutil.copytree(ROOT / "config" / "quillmere", SITE)
        text = (SITE / "site.toml").read_text()
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {self.port}\nprotocol = "3.1.1"\n\n'
        storage = '[storage]\nfolder = "data"\nseal_every_min = 0.1\nsettle_s = 10.0\n\n'
        for table, instead in (("broker", broker), ("storage", storage)):
            pattern = rf"\[{table}\]\n.*?\n\n"
            text, count = re.subn(pattern, instead, text, count=1, flags=re.DOTALL)
            if count != 1:
                raise DemoError(f"config/quillmere/site.toml has no table [{table}]")
        (SITE / "site.toml").write_text(text)
        step("The configuration, as `spanwarden check` reads it")
        shown = spanwarden("check", "--site", str(SITE)).splitlines()
        print("\n".join(shown[:14]), f"\n… {len(shown) - 14} more lines")

    def start_broker(self) -> None:
        """The embedded broker, in a process of its own."""
        step(f"The embedded broker on port {self.port}")
        self.start("pipeline.ingest.embedded", "--port", str(self.port), log="broker.log")
        wait(lambda: is_listening(self.port), "the embedded broker listens")
        print("It is for trying out: it keeps next to nothing for a station that is away.")

    def start_station(self) -> None:
        """Supervisor and worker."""
        step("The station: a supervisor and one worker")
        self.start(
            "pipeline", "run", "--site", str(SITE), "--structure", STRUCTURE, log=self.log.name
        )
        wait(lambda: "station started" in read(self.log), "the station starts")
        # The embedded broker would not keep what comes before that.
        wait(lambda: "mqtt_subscribed" in read(self.log), "the station has subscribed")
        print(f"It logs to {shown(self.log)}.")

    def publish_history(self) -> None:
        """A day and a half of the simulated deck over MQTT, with an overload and a broken gauge."""
        step("A simulated deck publishes its last 36 hours over MQTT (QoS 1)")
        start = self.now - timedelta(hours=36)
        print(
            spanwarden(
                "simulate",
                *("--structure", STRUCTURE, "--from", iso(start), "--to", iso(self.now)),
                *("--speed", "max", "--batch", "20", "--seed", "7"),
                *("--broker", f"127.0.0.1:{self.port}", "--protocol", "3.1.1"),
                *("--event", "overload@35.5h+8m"),
                *("--fault", "open:n1-g1s1-ohm@35.2h+48m"),
                *("--truth", str(DEMO / "truth.csv.gz")),
            ).strip()
        )
        print("Its truth is kept beside: 30 min ago a vehicle above the posted limit stood on the")
        print("deck for 8 min, and 48 min ago a wire of gauge n1-g1s1-ohm broke.")
        if self.keep:
            self.start(
                "pipeline",
                *("simulate", "--structure", STRUCTURE, "--hours", "12", "--seed", "8"),
                *("--broker", f"127.0.0.1:{self.port}", "--protocol", "3.1.1"),
                *("--sequence", "1000000"),
                log="simulator.log",
            )

    def wait_for_alarms(self) -> None:
        """Both alarms in the journal, and told."""
        step("Alarms")
        for rule, what in ((OVERLOAD, "a level alarm"), (BROKEN, "the failing gauge's alarm")):
            wait(lambda rule=rule: f"{rule}." in self.alarms(), f"{what} is raised")
        print(self.alarms())
        wait(lambda: OVERLOAD in read(DEMO_TOLD), "the notice is told")
        step("The notice that went out for the overload")
        print(notice_about(OVERLOAD))

    def acknowledge(self) -> None:
        """A person of the site acknowledges the level alarm."""
        alarm = re.search(rf"{OVERLOAD}\.[\w-]+", self.alarms())
        if alarm is None:
            raise DemoError("no level alarm stands")
        step(f"{PERSON} acknowledges {alarm[0]}")
        comment = "vehicle has left; inspecting the girder"
        print(
            spanwarden("alarms", "ack", alarm[0], *self.where, "--by", PERSON, "--comment", comment)
        )
        print(spanwarden("alarms", "show", alarm[0], *self.where, fails=True).split("\n\n")[0])

    def seal(self) -> None:
        """The first day's window, final, and the open one, provisional."""
        step("The archive: Parquet that any reader opens")
        archive = SITE / "data" / STRUCTURE / "archive"
        wait(lambda: len(list(archive.rglob("results/**/*.parquet"))) >= 2, "windows are sealed")
        wait(lambda: '"final": true' in read(self.log), "a window is final")
        for kind in ("raw", "results", "summary"):
            for path in sorted((archive / kind).rglob("*.parquet")):
                print(f"  {path.relative_to(SITE)}  {path.stat().st_size / 1000:.0f} kB")
        print(spanwarden("rebuild", *self.where, "--compare"))

    def summarise(self) -> None:
        """The figures of each measuring point."""
        step("Each measuring point over these 36 hours")
        span = ("--from", iso(self.now - timedelta(hours=36)))
        print(spanwarden("points", *self.where, *span))

    def say_where_next(self) -> None:
        """What a new user does now."""
        step("Where to look next")
        print("README.md: a five-minute tour, and how to configure a beam of your own.")
        print("config/quillmere/: the site that you have just seen.")
        if self.keep:
            numbers = " ".join(str(p.pid) for p in self.running)
            print(f"Everything goes on running. Data and logs: {shown(DEMO)}")
            print(f"  spanwarden alarms --site {shown(SITE)} --structure {STRUCTURE}")
            print(f"  spanwarden points --site {shown(SITE)} --structure {STRUCTURE}")
            print(f"(the command lies in {shown(STATE / 'venv/bin')}/)")
            print(f"End it with: kill {numbers}")
        else:
            print("bash ops/demo.sh --keep leaves everything running to look around.")

    def alarms(self) -> str:
        """What stands now."""
        return spanwarden("alarms", *self.where, fails=True)

    def start(self, module: str, *arguments: str, log: str) -> None:
        """Start a process of the demo; it is noted so that a later demo can end it."""
        with (DEMO / log).open("ab") as sink:
            process = subprocess.Popen(
                [sys.executable, "-m", module, *arguments],
                stdout=sink,
                stderr=sink,
                start_new_session=True,
            )
        self.running.append(process)
        with (DEMO / "processes").open("a") as noted:
            noted.write(f"{process.pid}\n")

    def end(self) -> None:
        """End all processes and remove the files, unless they are to be kept."""
        if self.keep and self.keep_files:
            return
        for process in reversed(self.running):
            process.send_signal(signal.SIGTERM)
        for process in self.running:
            try:
                process.wait(8)
            except subprocess.TimeoutExpired:
                process.kill()
        if not self.keep_files:
            shutil.rmtree(DEMO, ignore_errors=True)


DEMO_TOLD = SITE / "data" / STRUCTURE / "notices.jsonl"


def spanwarden(*arguments: str, fails: bool = False) -> str:
    """Run the command; `fails`: an exit code of 1 is an answer, not a failure."""
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *arguments], capture_output=True, text=True
    )
    if done.returncode not in ((0, 1) if fails else (0,)):
        raise DemoError(f"spanwarden {arguments[0]} ended with {done.returncode}: {done.stderr}")
    return done.stdout


def shown(path: Path) -> Path:
    """A path as a person in the checkout would type it."""
    return path.relative_to(ROOT) if path.is_relative_to(ROOT) else path


def notice_about(rule: str) -> str:
    """The first notice of a rule, as the log delivery wrote it."""
    import json

    for line in read(DEMO_TOLD).splitlines():
        notice = json.loads(line)
        if notice["alarm"].startswith(rule):
            return f"{notice['subject']}\n\n{notice['body']}"
    raise DemoError(f"no notice about {rule}")


def end_before(folder: Path) -> None:
    """End what an earlier demo left running."""
    for number in read(folder / "processes").split():
        command = read(Path(f"/proc/{number}/cmdline"))
        if "pipeline" in command:
            os.kill(int(number), signal.SIGTERM)


def read(path: Path) -> str:
    """The text of a file, empty when there is none."""
    return path.read_text(errors="replace") if path.exists() else ""


def wait(condition: Callable[[], bool], what: str) -> None:
    """Until the condition holds; a `DemoError` when it does not come."""
    pause = threading.Event()
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        if time.monotonic() > deadline:
            raise DemoError(f"{what} (waited {PATIENCE_S:.0f} s)")
        pause.wait(0.2)


def iso(when: datetime) -> str:
    """ISO 8601 in UTC."""
    return when.isoformat().replace("+00:00", "Z")


def step(title: str) -> None:
    """A heading."""
    print(f"\n── {title} " + "─" * max(0, 92 - len(title)), flush=True)


def free_port() -> int:
    """A TCP port on loopback that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def is_listening(port: int) -> bool:
    """Whether somebody accepts connections on the port."""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
