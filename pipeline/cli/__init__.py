"""
The command `spanwarden`: thin; each subcommand is a file beside this one.

Exit code 0: good. 1: the answer is no. 2: usage or configuration. 3: the surroundings.
"""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
from collections.abc import Sequence

from pipeline import __version__
from pipeline.errors import SpanwardenError
from pipeline.notify.cautions import CAUTIONS

# name: what it is for. Each is a module `pipeline.cli.<name>` with `add_arguments` and `run`.
COMMANDS = {
    "check": "read a site's configuration and list every mistake, or what is installed",
    "run": "run the station: a supervisor and one worker per structure",
    "alarms": "list alarms, show one with its story, acknowledge, reset",
    "points": "latest value and figures of a span for each measuring point",
    "explain": "the whole chain for one reading: every value, correction, uncertainty and flag",
    "zero": "state at which strain a member was over a window; the gauge's offset follows",
    "rebuild": "make results and summaries again from the raw archive, or compare only",
    "doctor": "say what is wrong with this box and how to mend it",
    "calibrate": "make a calibration and its report from bench, chamber and hold runs",
    "simulate": "play a structure, its climate and its gauges, and publish their readings",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if arguments[:1] == ["simulate"]:  # the simulator has a command line of its own
        return int(importlib.import_module("pipeline.simulate.command").main(arguments[1:]))
    parser = _parser(arguments[:1])
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return 2
    try:
        return int(importlib.import_module(f"pipeline.cli.{options.command}").run(options))
    except SpanwardenError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:  # the reader has seen enough, for example `head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 128 + signal.SIGINT


def _parser(chosen: list[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="spanwarden",
        description="From the readings of strain gauges to trustworthy strain and alarms.",
        epilog="\n".join(CAUTIONS),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"spanwarden {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, purpose in COMMANDS.items():
        # Only the chosen command's module is imported: a worker must not pay for the others.
        module = importlib.import_module(f"pipeline.cli.{name}") if [name] == chosen else None
        command = commands.add_parser(
            name,
            help=purpose,
            description=purpose[0].upper() + purpose[1:] + ".",
            epilog=module.EXAMPLE if module else None,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if module:
            module.add_arguments(command)
    return parser
