"""What README and DEVELOPERS show is run."""
