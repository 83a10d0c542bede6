"""Commands that move actuators: move, hand, match, trial."""
