"""Outputs as a person sees them."""


def as_lines(text: str) -> list[str]:
    """What a person sees: without the blanks that fill up a line."""
    return [line.rstrip() for line in text.splitlines()]
