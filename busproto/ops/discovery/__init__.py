"""Finding every actuator, and proving that none is missing."""
