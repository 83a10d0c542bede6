"""The page: its server by the ASGI test client, and a real browser on it."""
