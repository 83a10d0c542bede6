"""What README and DEVELOPERS show is run; the API reference is made and looked at."""
