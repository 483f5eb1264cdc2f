"""Alarms: rules, life cycle and evaluation; pure functions of readings, ticks and commands."""
