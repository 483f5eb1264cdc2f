"""Spanwarden: from the readings of strain gauges to trustworthy strain and alarms."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("spanwarden")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+checkout"
