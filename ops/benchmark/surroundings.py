"""
What the benchmark stands on: folders, a copy of the example site, the machine, the disk.
"""

from __future__ import annotations

import os
import platform
import re
import shutil
import socket
import statistics
import subprocess
import threading
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).parents[2]
STATE = Path(os.environ.get("SPANWARDEN_STATE", ROOT / ".state"))
HOST = "127.0.0.1"
STRUCTURE = "quill-deck"
PREFIX = "spanwarden"
PACKAGES = ("numpy", "pyarrow", "paho-mqtt", "msgspec", "cbor2")
SYNCS = 300


class BenchmarkError(Exception):
    """Something did not happen, so that there is nothing to measure; says what."""


def copy_site(folder: Path, port: int) -> Path:
    """
    The example site in `folder` with a broker and a data folder of its own; else as it is.

    Raises:
        BenchmarkError: the example has not the tables that are replaced.
    """
    site = folder / "quillmere"
    ignored = shutil.ignore_patterns("data")
    shutil.copytree(ROOT / "config" / "quillmere", site, ignore=ignored)
    text = (site / "site.toml").read_text()
    broker = f'[broker]\nhost = "{HOST}"\nport = {port}\nprotocol = "5"\nprefix = "{PREFIX}"\n\n'
    storage = '[storage]\nfolder = "data"\n\n'
    for table, instead in (("broker", broker), ("storage", storage)):
        pattern = rf"^\[{table}\]\n.*?\n\n"
        text, count = re.subn(pattern, instead, text, count=1, flags=re.DOTALL | re.MULTILINE)
        if count != 1:
            raise BenchmarkError(f"config/quillmere/site.toml has no table [{table}]")
    (site / "site.toml").write_text(text)
    return site


def wait(condition: Callable[[], bool], what: str, timeout_s: float) -> None:
    """Until the condition holds; a `BenchmarkError` when it does not come."""
    pause = threading.Event()
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            raise BenchmarkError(f"not within {timeout_s:.0f} s: {what}")
        pause.wait(0.02)


def free_port() -> int:
    """A TCP port on loopback that is free now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def is_listening(port: int) -> bool:
    """Whether somebody accepts connections on the port."""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex((HOST, port)) == 0


def memory_kb(pid: int | str, key: str) -> int:
    """`VmRSS` (now) or `VmHWM` (peak) of a process [kB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1])
    raise BenchmarkError(f"the system does not tell {key} of process {pid}")


def processor_s(pid: int | str) -> float:
    """Processor time of all threads of a process so far [s]."""
    # The name in the second field may hold blanks; user and system time are the 14th and 15th.
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def sync_line(folder: Path, when: str) -> str:
    """Median and 99th percentile of fdatasync after appending 4 KiB, on the disk of `folder`."""
    taken = []
    with (folder / "sync").open("wb", buffering=0) as file:
        for _ in range(SYNCS):
            file.write(b"\x5a" * 4096)
            begun = time.perf_counter()
            os.fdatasync(file.fileno())
            taken.append(1e3 * (time.perf_counter() - begun))
    p50, p99 = statistics.median(taken), sorted(taken)[int(0.99 * SYNCS)]
    return f"{when}: fdatasync of 4 KiB appended, p50 {p50:.2f} ms, p99 {p99:.2f} ms of {SYNCS}"


def machine_lines() -> list[str]:
    """Processor, memory, system and versions."""
    processor = _first(Path("/proc/cpuinfo"), "model name") or platform.machine()
    memory = (os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")) / 2**30
    packages = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    told = subprocess.run(["mosquitto", "-h"], capture_output=True, text=True, check=False).stdout
    mosquitto = re.search(r"mosquitto version (\S+)", told)
    return [
        f"{processor}, {len(os.sched_getaffinity(0))} cores, {memory:.0f} GiB, "
        f"load before the run {os.getloadavg()[2]:.1f}",
        f"{platform.system()} {platform.release()}, {platform.python_implementation()} "
        f"{platform.python_version()}, Mosquitto {mosquitto[1] if mosquitto else 'unknown'}",
        packages,
    ]


def _first(path: Path, key: str) -> str:
    for line in path.read_text().splitlines():
        name, _, text = line.partition(":")
        if name.strip() == key:
            return text.strip()
    return ""
