"""Calibration of a gang, so that its members move alike: measure, fit, write, judge."""
