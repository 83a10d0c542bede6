"""Tests of the simulator."""
