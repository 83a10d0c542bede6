"""The operations on the virtual bus: every result, every fault at least once."""
