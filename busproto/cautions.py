"""The cautions that are shown to a person before anything moves: one text for command line, page and library."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "Propeller off, or the motor disarmed and its battery unplugged.",
    "The airframe is held so that it cannot move or fall.",
    "Fingers, hair and tools are clear of surfaces, arms and linkages.",
    "The pack, fully charged, is within the supply rating of every actuator on it.",
)
"""The usual cautions, a sentence each: to be shown, and answered with yes, before anything moves. Common practice, no
source."""
DISCLAIMER: Final = (
    "What works on the bench is not cleared for flight: the local model-flying code and the makers' data come first."
)
"""Shown beside the cautions, and with every result that might be taken for a clearance to fly."""
