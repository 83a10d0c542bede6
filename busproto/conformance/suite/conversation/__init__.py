"""Random conversations with the actuator under test, beside the simulator's actuator as the model."""
