"""Bench, chamber and hold runs to calibrations, with their report; knows no running station."""
