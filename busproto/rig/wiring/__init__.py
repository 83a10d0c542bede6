"""What the wiring of a line must be: pull-up, bias, termination, load."""
