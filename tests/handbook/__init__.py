"""The handbook: its commands are run in order, its links lead somewhere, its figures are calculated anew."""
