"""Captures: files, recording, decoding, counting, playing back; and how the shipped captures are made."""
