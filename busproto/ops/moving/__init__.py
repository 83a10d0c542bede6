"""Motion: demands, watching what they do, letting go."""
