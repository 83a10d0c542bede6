"""Commands that look and change nothing: ports, find, show, watch."""
