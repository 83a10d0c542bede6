"""A second host for the bus, written from the format page alone, and its tests.

Nothing in the host imports the product or anything beyond the standard library: what it cannot do, the page does not
say. `codec` and `messages` are bytes, `line` is the port and its times, `asking` is one request and its reply,
`search` and `proof` find all actuators, `host` works on one of them, `driver` joins them to a port and a clock.
Other tests hold the product's frames, checks and hash against `codec`.
"""
