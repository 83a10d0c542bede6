"""The one thread that touches the bus, in parts with one duty each; `bus_worker` puts them together."""
