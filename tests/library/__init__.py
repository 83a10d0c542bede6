"""The one interface for programs."""
