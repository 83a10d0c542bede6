"""The port of the page, real or a virtual bus in real time; its traffic, and the state of the actuators from that."""
