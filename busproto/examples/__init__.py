"""Small programs on the public interface, as starting points for your own."""

__all__ = [
    "pocket_setter",
    "switched_supply",
]
