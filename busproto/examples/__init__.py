"""Small programs on the public interface, to read and to begin from."""

__all__ = [
    "pocket_setter",
    "switched_supply",
]
