"""Tests of the lessons."""
