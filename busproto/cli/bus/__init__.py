"""Commands that run a virtual bus or the page: bus, demo, lesson, serve, wave."""
