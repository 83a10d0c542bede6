"""The port of the page: a real one or a virtual bus in real time, what passes over it, and what that says."""
