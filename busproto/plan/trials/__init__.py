"""Moves that prove an airframe: each function, and which way each one goes."""
