"""Commands about captures, the format and the handbook: decode, replay, stats, spec, handbook."""
