"""Random mutants of the host's heart, or of the simulator's actuator: what a small slip would do to the tests."""
