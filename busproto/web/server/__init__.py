"""HTTP and WebSocket: who is let in, which page operates, the page's files, lessons and handbook."""
