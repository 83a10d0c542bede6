"""HTTP and WebSocket: which requests are let in, which page operates, the page's files, lessons and handbook."""
