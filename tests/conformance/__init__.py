"""Tests of the conformance harness: its own parts, what it says of three targets, and faults that it has to find."""
