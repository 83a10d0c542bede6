"""What moves: motor, arm, sensor, surface, heat and supply, with no energy lost or found."""
