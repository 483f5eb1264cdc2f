"""
The installed package is ours, and complete: run against a wheel outside the checkout.
"""

import importlib.metadata
import os
import subprocess
import sys
from pathlib import Path

import pytest

import pipeline

WHEEL = os.environ.get("SPANWARDEN_WHEEL")
outside = pytest.mark.skipif(WHEEL is None, reason="only `ops/test_wheel.sh` installs a wheel")


def test_the_package_is_ours() -> None:
    """`pipeline` belongs to the distribution spanwarden: another one uses that folder name too."""
    # An editable installation lists no folders; then the name must simply have no other owner.
    owners = importlib.metadata.packages_distributions().get("pipeline", ["spanwarden"])

    assert set(owners) == {"spanwarden"}


@outside
def test_the_wheel_is_what_is_imported() -> None:
    """The tests outside the checkout import the installed wheel and nothing else."""
    assert Path(pipeline.__file__).is_relative_to(Path(WHEEL or ""))


def test_every_command_shows_its_help() -> None:
    """Each command has a help text with an example, from whatever folder it is run in."""
    from pipeline.cli import COMMANDS

    for name in COMMANDS:
        shown = subprocess.run(
            [sys.executable, "-m", "pipeline", name, "--help"],
            capture_output=True,
            text=True,
            check=True,
        )

        assert "example" in shown.stdout.lower(), name
