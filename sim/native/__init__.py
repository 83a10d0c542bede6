"""Firmware in C as a device on the virtual bus."""
