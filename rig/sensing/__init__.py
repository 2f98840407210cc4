"""Counts and volts to SI values: pure conversions and calibration fits."""
