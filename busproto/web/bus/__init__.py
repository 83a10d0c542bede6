"""The port of the page: a real one or a virtual bus in real time, its traffic, and the state of the actuators from
that."""
